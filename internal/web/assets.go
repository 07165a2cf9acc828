package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
)

//go:embed static
var staticFiles embed.FS

// asset is a script, style or drawing of the page.
type asset struct {
	url, mime string
	content   []byte
}

// assets by their name in static/; assetsByURL by the file name with the hash
// of the content in it, so that a browser keeps them for good and still gets
// the new one after an update.
var assets, assetsByURL = loadAssets()

// assetTypes are the kinds of file that static/ may hold.
var assetTypes = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

func loadAssets() (byName, byURL map[string]asset) {
	byName, byURL = map[string]asset{}, map[string]asset{}
	entries, err := fs.ReadDir(staticFiles, "static")
	if err != nil {
		panic(err)
	}
	for _, e := range entries {
		content, err := staticFiles.ReadFile("static/" + e.Name())
		if err != nil {
			panic(err)
		}
		ext := path.Ext(e.Name())
		sum := sha256.Sum256(content)
		hashed := strings.TrimSuffix(e.Name(), ext) + "." + hex.EncodeToString(sum[:8]) + ext
		a := asset{url: "/static/" + hashed, mime: assetTypes[ext], content: content}
		if a.mime == "" {
			panic("static/" + e.Name() + " is of no known kind")
		}
		byName[e.Name()], byURL[hashed] = a, a
	}
	return byName, byURL
}

// assetURL is the address of a file in static/, for templates.
func assetURL(name string) (string, error) {
	a, ok := assets[name]
	if !ok {
		return "", fmt.Errorf("there is no file static/%s", name)
	}
	return a.url, nil
}

func (s *Server) static(w http.ResponseWriter, r *http.Request) error {
	a, ok := assetsByURL[r.PathValue("file")]
	if !ok {
		return notFound("There is no such file")
	}
	w.Header().Set("Content-Type", a.mime)
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(a.content))
	return nil
}

// icon is for browsers that ask for the page's icon unasked, as where they show
// a picture alone.
func (s *Server) icon(w http.ResponseWriter, r *http.Request) error {
	http.Redirect(w, r, assets["mark.svg"].url, http.StatusFound)
	return nil
}
