package screen

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"maps"
	"net/http"
	"slices"
	"strings"

	"beltwarden/daemon/chart"
)

//go:embed static
var staticFiles embed.FS

// files are what is served under /static/: the pages' style sheet with that of the
// charts, the script, the icon, and those of the wall.
var files = func() map[string][]byte {
	list := map[string][]byte{}
	entries, err := staticFiles.ReadDir("static")
	if err != nil {
		panic(err) // embedded: it is there
	}
	for _, e := range entries {
		data, err := fs.ReadFile(staticFiles, "static/"+e.Name())
		if err != nil {
			panic(err)
		}
		if e.Name() == "screen.css" {
			data = append(data, chart.Style()...)
		}
		list[e.Name()] = data
	}
	return list
}()

// assetVersion stands in the addresses of these files, so that a browser may keep them
// until a new program comes.
var assetVersion = func() string {
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(files)) {
		h.Write(files[name])
	}
	return hex.EncodeToString(h.Sum(nil)[:6])
}()

var kinds = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

func serveStatic(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("file")
	data, ok := files[name]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", kinds[name[strings.LastIndexByte(name, '.'):]])
	w.Header().Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == assetVersion {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	_, _ = w.Write(data) // a reader who has gone needs no answer
}
