package report

import (
	"encoding/base64"
	"fmt"
	"html/template"
	"image"

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

var pageCrops = []vision.Reduction{{MaxSide: pageCropPX, Quality: pageCropQuality}, {MaxSide: pageThumbPX, Quality: pageThumbQuality}}

// Overlay puts in the overlay as [OverlayPictures] gave it for the page.
func (p PagePictures) Overlay(jpeg []byte) { p[pageOverlay] = jpeg }

// Crop encodes a marble cut out, as PNG, and puts in what the page shows of it.
func (p PagePictures) Crop(id string, img image.Image) (png []byte, err error) {
	png, small, err := vision.PNGAndJPEGs(img, blank, pageCrops...)
	if err == nil {
		p.crop(id, small)
	}
	return png, err
}

// CropFile is Crop for one that was encoded before. One that can't be read is left
// out, as the page does with files.
func (p PagePictures) CropFile(id string, png []byte) {
	if small, err := vision.ReducedJPEG(png, blank, pageCrops...); err == nil {
		p.crop(id, small)
	}
}

func (p PagePictures) crop(id string, small [][]byte) {
	p[pageCrop(id, pageCropPX)], p[pageCrop(id, pageThumbPX)] = small[0], small[1]
}

// ready is a picture that was made before; ok is false where there is none.
func (p *page) ready(photo int, key string) (src template.HTMLAttr, ok bool) {
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
	return sourceOf(data), true
}

// sourceOf is a src attribute with a picture in it. The letters of base64 mean
// nothing else in an attribute, so that the template need not go through a
// photo's half a megabyte of them again.
func sourceOf(jpeg []byte) template.HTMLAttr {
	const before, after = `src="data:image/jpeg;base64,`, `"`
	b := make([]byte, 0, len(before)+base64.StdEncoding.EncodedLen(len(jpeg))+len(after))
	b = base64.StdEncoding.AppendEncode(append(b, before...), jpeg)
	return template.HTMLAttr(append(b, after...))
}
