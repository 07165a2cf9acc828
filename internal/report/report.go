// Package report writes what a run found: the records as JSON lines and CSV,
// the photos with their outlines drawn on them, and one page that shows it all.
// It measures nothing.
package report

import (
	"fmt"
	"path/filepath"
	"strings"
	"unicode"

	"tawsight/internal/record"
)

// Names of what a run leaves in its output folder.
const (
	JSONLName   = "photos.jsonl"
	PhotosName  = "photos.csv"
	MarblesName = "marbles.csv"
	HTMLName    = "report.html"
	CropsDir    = "crops"
	OverlaysDir = "overlays"
)

// OverlayPath is where a photo's overlay lies below the output folder, with
// forward slashes; stem is the photo's own of Stems.
func OverlayPath(stem string) string { return OverlaysDir + "/" + stem + ".jpg" }

// CropPath is where a marble's crop lies below the output folder, with forward
// slashes; stem is its photo's own of Stems, id the marble's.
func CropPath(stem, id string) string {
	return CropsDir + "/" + stem + "-" + plain(id) + ".png"
}

// Stems gives each photo of a run a short name for the files made of it: the
// photo's path below the folder that all of them share, without its ending and
// without anything a file system or an address could take amiss. No two are
// alike, even where case is not told apart. The same paths in the same order
// always give the same names.
func Stems(paths []string) []string {
	shared := sharedFolder(paths)
	taken := make(map[string]bool, len(paths))
	stems := make([]string, len(paths))
	for i, p := range paths {
		p = filepath.ToSlash(filepath.Clean(p))
		p = strings.TrimPrefix(p, shared)
		p = strings.TrimSuffix(p, filepath.Ext(p))
		base := plain(p)
		stem := base
		for n := 2; taken[strings.ToLower(stem)]; n++ {
			stem = fmt.Sprintf("%s-%d", base, n)
		}
		taken[strings.ToLower(stem)] = true
		stems[i] = stem
	}
	return stems
}

// sharedFolder is the longest folder, with its closing slash, that all paths
// lie in.
func sharedFolder(paths []string) string {
	shared := ""
	for i, p := range paths {
		p = filepath.ToSlash(filepath.Clean(p))
		folder := p[:strings.LastIndex(p, "/")+1]
		if i == 0 {
			shared = folder
			continue
		}
		for !strings.HasPrefix(folder, shared) {
			shared = shared[:strings.LastIndex(shared[:len(shared)-1], "/")+1]
		}
	}
	return shared
}

// plain keeps letters, digits, dots, hyphens and underscores, and at most 80
// bytes of them, and never begins with a dot or a hyphen.
func plain(s string) string {
	var b strings.Builder
	for _, r := range s {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune("._-", r) || r == unicode.ReplacementChar {
			r = '_'
		}
		if b.Len()+len(string(r)) > 80 {
			break
		}
		b.WriteRune(r)
	}
	s = strings.TrimLeft(b.String(), ".-_")
	if s == "" {
		return "photo"
	}
	return s
}

// withoutNils gives the lists that the contract always shows, empty rather than
// null.
func withoutNils(p record.Photo) record.Photo {
	p.Flags = orEmpty(p.Flags)
	p.Marbles = append([]record.Marble{}, p.Marbles...)
	for i := range p.Marbles {
		m := &p.Marbles[i]
		m.Flags = orEmpty(m.Flags)
		m.Ribbons = orEmpty(m.Ribbons)
		if m.Features == nil {
			m.Features = map[string]float64{}
		}
	}
	return p
}

func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
