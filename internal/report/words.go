package report

import (
	"tawsight/features"
	"tawsight/internal/record"
)

// Words and colours that other pages show as the report does.

// FigureText is a feature's value with its unit.
func FigureText(f features.Feature, v float64) string { return figure(f, v) }

// ReasonText is a reason in plain words.
func ReasonText(r record.Reason) string { return reasonText(r) }

// PercentText is a share of 0..1 in words that claim no certainty there is not.
func PercentText(share float64) string { return percent(share) }

// Hex is the sRGB colour nearest to a CIELAB one, as #rrggbb.
func Hex(lab [3]float64) string { return string(hex(lab)) }
