// Package bench is the bench page: the gauges of a play on a screen, to be
// looked at and moved by hand. It is plain files, which a browser shows, and
// talks to the interface of package control.
package bench

import (
	"embed"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

//go:embed page
var files embed.FS

// policy lets the page use its own files and its own server, and nothing else:
// no script in the page, no style in it, nothing of another origin.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'"

var kinds = map[string]string{".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

// Pages serves the page's files.
func Pages() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			http.Error(w, "the page is only read", http.StatusMethodNotAllowed)
			return
		}
		name := strings.TrimPrefix(path.Clean(r.URL.Path), "/")
		if name == "" {
			name = "index.html"
		}
		text, err := fs.ReadFile(files, "page/"+name)
		kind, known := kinds[path.Ext(name)]
		if err != nil || !known {
			http.Error(w, "there is no such page", http.StatusNotFound)
			return
		}
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Content-Security-Policy", policy)
		_, _ = w.Write(text) // a reader that is gone needs no page
	})
}
