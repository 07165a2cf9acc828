package pipeline

import (
	"tawsight/calib"
	"tawsight/internal/cameras"
	"tawsight/internal/record"
)

// Named is what the options name, as a collection keeps it: all but the cameras.
func (o RulerOptions) Named() record.Ruler {
	r := record.Ruler{Sheet: o.Sheet, Coin: o.Coin, CoinMM: o.CoinMM, CoinAt: o.CoinAt, DPI: o.DPI, Scan: o.Scan}
	for _, k := range o.Known {
		r.Known = append(r.Known, record.KnownMarble(k))
	}
	if o.Rest.Kind != calib.RestTable {
		r.Rest = &record.Rest{Kind: o.Rest.Kind, WidthMM: o.Rest.WidthMM, HeightMM: o.Rest.HeightMM}
	}
	return r
}

// RulersOf are the options that name a ruler as a collection keeps it, with the
// cameras that are known. What Check says of them holds for them, too: a file
// brought in may name what there is not.
func RulersOf(r record.Ruler, known *cameras.Book) RulerOptions {
	o := RulerOptions{Sheet: r.Sheet, Coin: r.Coin, CoinMM: r.CoinMM, CoinAt: r.CoinAt, DPI: r.DPI, Scan: r.Scan, Cameras: known}
	for _, k := range r.Known {
		o.Known = append(o.Known, KnownMarble(k))
	}
	if r.Rest != nil {
		o.Rest = calib.Rest{Kind: r.Rest.Kind, WidthMM: r.Rest.WidthMM, HeightMM: r.Rest.HeightMM}
	}
	return o
}

// CamerasFor are the hashes of the camera profiles that there are for a photo;
// empty for none, and for a scan, which needs none.
func (o RulerOptions) CamerasFor(path string) string {
	if o.DPI > 0 || o.Scan || len(o.Cameras.Profiles()) == 0 {
		return ""
	}
	return profileOf(o.Cameras, path)
}
