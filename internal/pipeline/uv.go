package pipeline

import (
	"context"
	"math"
	"path/filepath"

	"tawsight/calib"
	"tawsight/internal/colour"
	"tawsight/internal/record"
	"tawsight/vision"
)

// underUltraviolet turns a photo's record into that of an ultraviolet photo:
// nothing of daylight's colours stays, and the glow takes their place.
func underUltraviolet(ph *record.Photo, u vision.Ultraviolet) {
	for i := range ph.Marbles {
		m := &ph.Marbles[i]
		m.Base, m.Ribbons, m.Busyness, m.Bubble = nil, nil, nil, nil
		m.Features = map[string]float64{}
		if i < len(u.Glows) {
			m.Glow = glowRecord(u.Glows[i])
		}
	}
}

func glowRecord(g vision.Glow) *record.Glow {
	out := &record.Glow{Share: round(g.Share, 3)}
	if g.Share > 0 {
		l := lab(colour.LinearToLab(g.Linear))
		out.Lab, out.Name = &l, colour.Name(l)
	}
	return out
}

// pairable is what is kept of a photo for joining it with one of the same tray
// under the other light.
type pairable struct {
	corners     [][2]float64
	ultraviolet bool
	survey      vision.Survey
}

func pairableOf(res *taken) pairable {
	return pairable{corners: res.Corners, ultraviolet: res.Ultraviolet, survey: res.Survey}
}

// pairUltraviolet joins each ultraviolet photo with the daylight photo of the
// same tray, marble by marble: one from the same folder with the card in the
// same place, whose marbles lie where the ultraviolet photo's do. Outlines are
// the daylight photo's, so that glass too dark to be found under the lamp has
// its glow measured too. Both slices have the same length and order.
func pairUltraviolet(ctx context.Context, photos []record.Photo, seen []pairable) {
	taken := map[int]bool{}
	for u := range photos {
		if !seen[u].ultraviolet || len(seen[u].corners) == 0 {
			continue
		}
		best, bestHits := -1, 0
		var bestMapped []calib.Ellipse
		for d := range photos {
			if d == u || taken[d] || seen[d].ultraviolet || len(seen[d].corners) == 0 || len(photos[d].Marbles) == 0 || filepath.Dir(photos[d].Path) != filepath.Dir(photos[u].Path) {
				continue
			}
			mapped, ok := vision.SameTray(max(photos[d].WidthPX, photos[d].HeightPX), max(photos[u].WidthPX, photos[u].HeightPX),
				seen[d].corners, seen[u].corners, ellipses(photos[d].Marbles))
			if !ok {
				continue
			}
			hits := 0
			for _, m := range photos[u].Marbles {
				if nearestTo(m.Outline, mapped) >= 0 {
					hits++
				}
			}
			// Most of what was found under the lamp must lie where daylight
			// shows marbles.
			if 2*hits > len(photos[u].Marbles) && hits > bestHits {
				best, bestHits, bestMapped = d, hits, mapped
			}
		}
		if best < 0 {
			continue
		}
		taken[best] = true
		join(ctx, &photos[best], &photos[u], seen[u].survey, bestMapped)
	}
}

// join records in both photos what belongs together.
func join(ctx context.Context, day, uv *record.Photo, survey vision.Survey, mapped []calib.Ellipse) {
	day.PairedWith, uv.PairedWith = uv.Path, day.Path
	// None where the file has gone since it was measured: the marbles found in it
	// still have their glow.
	glows := glowsIn(ctx, uv.Path, survey, mapped)
	for i := range glows {
		day.Marbles[i].Glow = glowRecord(glows[i])
	}
	for i := range uv.Marbles {
		m := &uv.Marbles[i]
		if k := nearestTo(m.Outline, mapped); k >= 0 {
			m.PairedID, day.Marbles[k].PairedID = day.Marbles[k].ID, m.ID
			if glows == nil {
				day.Marbles[k].Glow = m.Glow
			}
		}
	}
}

// nearestTo is the outline whose middle lies within 0.4 radii of o's and
// nearest to it, or -1. Under the lamp only part of a marble may glow, so its
// outline is less sure than by daylight.
func nearestTo(o record.Outline, all []calib.Ellipse) int {
	best, at := 0.4, -1
	for i, e := range all {
		if u, v := e.Unit(o.CxPX, o.CyPX); u*u+v*v < best*best {
			best, at = math.Sqrt(u*u+v*v), i
		}
	}
	return at
}

func ellipses(m []record.Marble) []calib.Ellipse {
	var out []calib.Ellipse
	for _, x := range m {
		out = append(out, calib.Ellipse{CxPX: x.Outline.CxPX, CyPX: x.Outline.CyPX, SemiMajorPX: x.Outline.SemiMajorPX, SemiMinorPX: x.Outline.SemiMinorPX, AngleDeg: x.Outline.AngleDeg})
	}
	return out
}
