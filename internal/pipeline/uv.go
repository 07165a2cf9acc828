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
	path        string
	sidePX      int          // the longer one
	corners     [][2]float64 // of the card, px; nil without one
	outlines    []calib.Ellipse
	ultraviolet bool
	survey      vision.Survey // of one under ultraviolet light
}

func pairableOf(path string, t *taken) pairable {
	s := pairable{path: path, corners: t.Corners, ultraviolet: t.Ultraviolet}
	if s.ultraviolet {
		s.survey = t.Survey
	}
	return s.with(t.Photo)
}

// with adds what a photo's record knows.
func (s pairable) with(p record.Photo) pairable {
	s.sidePX, s.outlines = max(p.WidthPX, p.HeightPX), ellipses(p.Marbles)
	return s
}

// pairing is two photos of one tray by their indices, and where the daylight
// photo's marbles lie in the ultraviolet one.
type pairing struct {
	day, ultraviolet int
	mapped           []calib.Ellipse
}

// pairUltraviolet finds for each ultraviolet photo the daylight photo of the same
// tray: one from the same folder with the card in the same place, whose marbles
// lie where the ultraviolet photo's do.
func pairUltraviolet(seen []pairable) []pairing {
	var pairs []pairing
	taken := map[int]bool{}
	for u, uv := range seen {
		if !uv.ultraviolet || len(uv.corners) == 0 {
			continue
		}
		best, bestHits := pairing{day: -1, ultraviolet: u}, 0
		for d, day := range seen {
			if d == u || taken[d] || day.ultraviolet || len(day.corners) == 0 || len(day.outlines) == 0 || filepath.Dir(day.path) != filepath.Dir(uv.path) {
				continue
			}
			mapped, ok := vision.SameTray(day.sidePX, uv.sidePX, day.corners, uv.corners, day.outlines)
			if !ok {
				continue
			}
			hits := 0
			for _, o := range uv.outlines {
				if nearestTo(o, mapped) >= 0 {
					hits++
				}
			}
			// Most of what was found under the lamp must lie where daylight
			// shows marbles.
			if 2*hits > len(uv.outlines) && hits > bestHits {
				best.day, best.mapped, bestHits = d, mapped, hits
			}
		}
		if best.day >= 0 {
			taken[best.day] = true
			pairs = append(pairs, best)
		}
	}
	return pairs
}

// join records in both photos of a pair what belongs together, marble by marble.
// Outlines are the daylight photo's, so that glass too dark to be found under the
// lamp has its glow measured too. seen is what was kept of the ultraviolet photo.
func join(ctx context.Context, day, uv *record.Photo, seen pairable, mapped []calib.Ellipse) {
	day.PairedWith, uv.PairedWith = uv.Path, day.Path
	// None where the file has gone since it was measured: the marbles found in it
	// still have their glow.
	glows := glowsIn(ctx, seen.path, seen.survey, mapped)
	for i := range glows {
		day.Marbles[i].Glow = glowRecord(glows[i])
	}
	for i := range uv.Marbles {
		m := &uv.Marbles[i]
		if k := nearestTo(seen.outlines[i], mapped); k >= 0 {
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
func nearestTo(o calib.Ellipse, all []calib.Ellipse) int {
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
