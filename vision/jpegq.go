package vision

import "math"

// Compression is how hard a JPEG was squeezed, read from its quantisation
// tables.
type Compression struct {
	// Quality is libjpeg's setting, 1 to 100, whose tables are nearest to the
	// file's; 0 for a file that is not a baseline or progressive JPEG.
	Quality int
	// Standard says that the tables are exactly those of that setting. Cameras
	// have tables of their own, for which Quality is the nearest.
	Standard bool
	// LumaDCStep and ChromaDCStep are the steps to which the mean of an 8 x 8
	// block of lightness, and of colour, is rounded, in 8-bit codes: the
	// table's first entry over 8 (ITU-T T.81, A.3.3 and A.3.4). 0 when the
	// file has no such table.
	LumaDCStep, ChromaDCStep float64
}

// Tables K.1 (luminance) and K.2 (chrominance) of ITU-T T.81 (09/92), annex K,
// row by row.
var (
	annexKLuma = [64]int{
		16, 11, 10, 16, 24, 40, 51, 61,
		12, 12, 14, 19, 26, 58, 60, 55,
		14, 13, 16, 24, 40, 57, 69, 56,
		14, 17, 22, 29, 51, 87, 80, 62,
		18, 22, 37, 56, 68, 109, 103, 77,
		24, 35, 55, 64, 81, 104, 113, 92,
		49, 64, 78, 87, 103, 121, 120, 101,
		72, 92, 95, 98, 112, 100, 103, 99,
	}
	annexKChroma = [64]int{
		17, 18, 24, 47, 99, 99, 99, 99,
		18, 21, 26, 66, 99, 99, 99, 99,
		24, 26, 56, 99, 99, 99, 99, 99,
		47, 66, 99, 99, 99, 99, 99, 99,
		99, 99, 99, 99, 99, 99, 99, 99,
		99, 99, 99, 99, 99, 99, 99, 99,
		99, 99, 99, 99, 99, 99, 99, 99,
		99, 99, 99, 99, 99, 99, 99, 99,
	}
)

// zigzag[k] is the place (row by row) of the k-th coefficient of a table in a
// file: ITU-T T.81, figure A.6.
var zigzag = func() (z [64]int) {
	x, y := 0, 0
	for k := range z {
		z[k] = 8*y + x
		switch up := (x+y)%2 == 0; {
		case up && x == 7:
			y++
		case up && y == 0:
			x++
		case up:
			x, y = x+1, y-1
		case y == 7:
			x++
		case x == 0:
			y++
		default:
			x, y = x-1, y+1
		}
	}
	return z
}()

// scaled is libjpeg's table for a quality of 1..100 (jpeg_quality_scaling and
// jpeg_add_quant_table of jcparam.c, Independent JPEG Group): the annex's
// entries times 5000/quality per cent below 50, 200 - 2 quality per cent from
// there, rounded, and kept within 1..255.
func scaled(base *[64]int, quality int) (t [64]int) {
	percent := 200 - 2*quality
	if quality < 50 {
		percent = 5000 / quality
	}
	for i, b := range base {
		t[i] = max(1, min(255, (b*percent+50)/100))
	}
	return t
}

// readCompression reads the quantisation tables of a JPEG: those in force for
// its first and second components, which are lightness and colour.
func readCompression(data []byte) (c Compression) {
	var tables [4]*[64]int
	luma, chroma := -1, -1
	for i := 2; i+4 <= len(data); {
		if data[i] != 0xff {
			break
		}
		marker := data[i+1]
		if marker == 0xff {
			i++
			continue
		}
		n := int(data[i+2])<<8 | int(data[i+3])
		if n < 2 || i+2+n > len(data) {
			break
		}
		seg := data[i+4 : i+2+n]
		switch {
		case marker == 0xdb: // DQT
			for len(seg) > 0 {
				wide, id := seg[0]>>4, seg[0]&15
				size := 64
				if wide == 1 {
					size = 128
				}
				if wide > 1 || id > 3 || len(seg) < 1+size {
					break
				}
				t := new([64]int)
				for k := range t {
					v := int(seg[1+k])
					if wide == 1 {
						v = int(seg[1+2*k])<<8 | int(seg[2+2*k])
					}
					t[zigzag[k]] = v
				}
				tables[id] = t
				seg = seg[1+size:]
			}
		case marker >= 0xc0 && marker <= 0xc2: // SOF: baseline, extended, progressive
			if len(seg) >= 9 {
				luma = int(seg[8])
			}
			if len(seg) >= 12 {
				chroma = int(seg[11])
			}
		case marker == 0xda: // the picture itself: the tables are complete
			i = len(data)
			continue
		}
		i += 2 + n
	}
	table := func(id int) *[64]int {
		if id < 0 || id > 3 {
			return nil
		}
		return tables[id]
	}
	l, k := table(luma), table(chroma)
	if l == nil {
		return Compression{}
	}
	c.LumaDCStep = float64(l[0]) / 8
	if k != nil {
		c.ChromaDCStep = float64(k[0]) / 8
	}
	best := math.Inf(1)
	for q := 100; q >= 1; q-- {
		d := distance(l, scaled(&annexKLuma, q))
		if k != nil {
			d += distance(k, scaled(&annexKChroma, q))
		}
		if d < best {
			best, c.Quality = d, q
		}
	}
	c.Standard = best == 0
	return c
}

// distance of two tables: the sum of the entries' absolute differences as
// ratios, so that the low frequencies, with the small entries, count as much as
// the high ones.
func distance(a *[64]int, b [64]int) float64 {
	d := 0.0
	for i := range a {
		d += math.Abs(math.Log(float64(max(1, a[i])) / float64(b[i])))
	}
	return d
}
