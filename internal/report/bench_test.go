package report

import (
	"image"
	"strconv"
	"testing"

	"tawsight/internal/record"
)

// A tray of 24 marbles on a picture of the size that overlays have.
func BenchmarkOverlay(b *testing.B) {
	img := image.NewRGBA(image.Rect(0, 0, 2000, 1500))
	p := record.Photo{WidthPX: 4032, HeightPX: 3024}
	for i := range 24 {
		p.Marbles = append(p.Marbles, record.Marble{
			ID:         strconv.Itoa(i + 1),
			Outline:    record.Outline{CxPX: 300 + 600*float64(i%6), CyPX: 300 + 700*float64(i/6), SemiMajorPX: 130, SemiMinorPX: 125},
			DiameterMM: record.F(15.92),
		})
	}
	b.ReportAllocs()
	for b.Loop() {
		Overlay(img, p, Sight{})
	}
}
