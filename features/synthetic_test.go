package features

import (
	"math"

	"tawsight/internal/colour"
)

// Faces drawn here have known colours, areas and lighting, so that what the
// package reads off them can be checked by arithmetic.

const drawnRadius = 60.0

// paperL is the drawn paper: a light neutral grey.
var paperLab = [3]float64{85, 0, 0}

// draw makes a face of a given radius (px) whose colour at a place on the disc
// (in radii) is lab(x, y), CIELAB.
func draw(radius float64, lab func(x, y float64) [3]float64) *Face {
	size := 2*int(math.Ceil(radius)) + 3
	f := &Face{
		Size: size, Radius: radius, RadiusMM: 8, PaperLab: paperLab,
		Linear: make([][3]float64, size*size), Lab: make([][3]float64, size*size), Mask: make([]uint8, size*size),
	}
	for i := range f.Mask {
		x, y := f.XY(i)
		rho := math.Hypot(x, y)
		if rho > 1.05 {
			continue
		}
		f.Linear[i] = colour.LabToLinear(lab(x, y))
		f.Lab[i] = colour.LinearToLab(f.Linear[i])
		if rho < 1 {
			f.Mask[i] |= Glass
			if rho > RimFrom {
				f.Mask[i] |= Rim
			}
		}
	}
	f.Ring = openRing()
	return f
}

// openRing is paper without a shadow.
func openRing() Ring {
	return drawRing(func(deg, dist float64) float64 { return 1 })
}

// drawRing fills a ring with the light at a direction (degrees from image x
// towards image y) and a distance (radii from the marble's middle).
func drawRing(light func(deg, dist float64) float64) Ring {
	var r Ring
	for d := range RingDirs {
		row := make([]float64, RingSteps)
		for j := range row {
			row[j] = light(360*float64(d)/RingDirs, RingFrom+float64(j)*RingStep)
		}
		r.Value = append(r.Value, row)
	}
	return r
}

// degreesApart is the angle between two directions, degrees.
func degreesApart(a, b float64) float64 { return math.Abs(math.Remainder(a-b, 360)) }

// shadowTo is a shadow towards one direction: depth of the light missing in
// it, 55 degrees to both sides and out to 1.7 radii, with soft edges; caustic
// is added in its middle at 1.3 radii, 10 degrees wide (standard deviation).
func shadowTo(dir, depth, caustic float64) Ring {
	return drawRing(func(deg, dist float64) float64 {
		a := degreesApart(deg, dir)
		out := 1 / (1 + math.Exp((dist-1.7)/0.08))
		v := 1 - depth/(1+math.Exp((a-55)/3))*out
		return v + caustic*math.Exp(-a*a/(2*10*10)-(dist-1.3)*(dist-1.3)/(2*0.15*0.15))
	})
}

// opaqueRing and clearRing are the shadows such marbles throw, to the right
// and down: an opaque sphere's is dark, a clear one's gathers light.
func opaqueRing() Ring { return shadowTo(45, 0.6, 0) }
func clearRing() Ring  { return shadowTo(45, 0.35, 0.45) }

// band is the colour of a stripe of half-width half (radii) through the middle
// at an angle, on a ground.
func band(stripe, ground [3]float64, half, deg float64) func(x, y float64) [3]float64 {
	s, c := math.Sincos(deg * math.Pi / 180)
	return func(x, y float64) [3]float64 {
		if math.Abs(-s*x+c*y) < half {
			return stripe
		}
		return ground
	}
}

// bandShare is the share that a band of half-width h through the middle covers
// of a disc of radius R: (2 h sqrt(R^2-h^2) + 2 R^2 asin(h/R)) / (pi R^2).
func bandShare(h, r float64) float64 {
	return (2*h*math.Sqrt(r*r-h*h) + 2*r*r*math.Asin(h/r)) / (math.Pi * r * r)
}

// stripes are n equal stripes across the disc, alternating with as wide gaps.
func stripes(n int, stripe, ground [3]float64) func(x, y float64) [3]float64 {
	return func(x, y float64) [3]float64 {
		if k := int(math.Floor((x + 1) / 2 * float64(2*n+1))); k%2 == 1 {
			return stripe
		}
		return ground
	}
}

// lambert is a matte ball's lightness under a lamp in direction (lx, ly, lz)
// (unit) and light from all sides: Lambert's cosine law.
func lambert(albedo [3]float64, lx, ly, lz float64) func(x, y float64) [3]float64 {
	lin := colour.LabToLinear(albedo)
	return func(x, y float64) [3]float64 {
		z := math.Sqrt(math.Max(0, 1-x*x-y*y))
		k := 0.3 + 0.7*math.Max(0, x*lx+y*ly+z*lz)
		var v [3]float64
		for q := range v {
			v[q] = lin[q] * k
		}
		return colour.LinearToLab(v)
	}
}

// rotated is the face a quarter turn further (image x towards image y), with
// everything around it.
func rotated(f *Face) *Face {
	n := f.Size
	g := *f
	g.Linear, g.Lab, g.Mask = make([][3]float64, n*n), make([][3]float64, n*n), make([]uint8, n*n)
	for y := range n {
		for x := range n {
			from, to := y*n+x, x*n+(n-1-y)
			g.Linear[to], g.Lab[to], g.Mask[to] = f.Linear[from], f.Lab[from], f.Mask[from]
		}
	}
	g.Ring.Value = nil
	m := len(f.Ring.Value)
	for d := range f.Ring.Value {
		g.Ring.Value = append(g.Ring.Value, f.Ring.Value[((d-m/4)%m+m)%m])
	}
	return &g
}
