package record

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// TextPath is a file's path as records and tables have it, which are UTF-8. A path
// that is UTF-8 stays as it is, whatever is in it. In one that is not (names from
// old cards and systems are any bytes), each byte that belongs to no character is
// written \xHH, and a backslash \\, so that the name can be had back.
func TextPath(path string) string {
	if utf8.ValidString(path) {
		return path
	}
	var b strings.Builder
	for len(path) > 0 {
		r, n := utf8.DecodeRuneInString(path)
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02X`, path[0])
		case r == '\\':
			b.WriteString(`\\`)
		default:
			b.WriteString(path[:n])
		}
		path = path[n:]
	}
	return b.String()
}
