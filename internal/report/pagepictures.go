package report

import (
	"encoding/base64"
	"fmt"
	"html/template"

	"tawsight/vision"
)

// PagePictures are one photo's pictures as small as the page shows them, JPEG.
// They can be made when the photo is measured, by several at once, and kept.
type PagePictures map[string][]byte

// Sizes and qualities of the pictures in the page.
const (
	pageOverlayQuality = 80
	pageCropQuality    = 85
	pageThumbQuality   = 75
)

const pageOverlay = "overlay"

func pageCrop(id string, maxSide int) string { return fmt.Sprintf("%d %s", maxSide, id) }

// NewPagePictures makes them of a photo's overlay (JPEG) and crops (PNG), one a
// marble. One that can't be made is left out, as the page does with files.
func NewPagePictures(overlay []byte, ids []string, crops [][]byte) PagePictures {
	out := PagePictures{}
	if small, err := vision.ReducedJPEG(overlay, blank, vision.Reduction{MaxSide: pageOverlayPX, Quality: pageOverlayQuality}); err == nil {
		out[pageOverlay] = small[0]
	}
	for i, id := range ids {
		small, err := vision.ReducedJPEG(crops[i], blank, vision.Reduction{MaxSide: pageCropPX, Quality: pageCropQuality},
			vision.Reduction{MaxSide: pageThumbPX, Quality: pageThumbQuality})
		if err == nil {
			out[pageCrop(id, pageCropPX)], out[pageCrop(id, pageThumbPX)] = small[0], small[1]
		}
	}
	return out
}

// ready is a picture that was made before; ok is false where there is none.
func (p *page) ready(photo int, key string) (uri template.URL, ok bool) {
	if p.source == nil {
		return "", false
	}
	if p.held == nil || p.heldOf != photo {
		p.held, p.heldOf = p.source(photo), photo
	}
	data, ok := p.held[key]
	if !ok {
		return "", false
	}
	return dataURI(data), true
}

func dataURI(jpeg []byte) template.URL {
	const head = "data:image/jpeg;base64,"
	out := make([]byte, len(head)+base64.StdEncoding.EncodedLen(len(jpeg)))
	base64.StdEncoding.Encode(out[copy(out, head):], jpeg)
	return template.URL(out)
}
