package samples

import "embed"

// Demo holds the sample photos that the program brings along for trying things
// out: the labelled sets and the trays, below photos/references and photos/tray.
// They are renderings of an invented find.
//
//go:embed photos/references photos/tray
var Demo embed.FS
