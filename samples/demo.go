package samples

import "embed"

// Demo holds the sample photos that the program brings along for trying things
// out: the labelled sets, the trays and the poor photos, below photos/references,
// photos/tray and photos/poor.
// They are renderings of an invented find.
//
//go:embed photos/references photos/tray photos/poor
var Demo embed.FS
