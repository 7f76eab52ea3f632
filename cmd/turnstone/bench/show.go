package bench

import (
	"bytes"
	"embed"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"turnstone/imager"
	"turnstone/mapfile/chart"
)

// page is the files that browsers get, as they lie here.
//
//go:embed page
var page embed.FS

// serveFile sends a file of the page.
func (b *Bench) serveFile(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(r.URL.Path, "/")
	switch name {
	case "":
		name = "index.html"
	case "favicon.ico": // browsers ask for it beside a page that says nothing of an icon
		name = "icon.svg"
	}
	data, err := fs.ReadFile(page, path.Join("page", path.Clean("/"+name)))
	if err != nil {
		refuse(w, http.StatusNotFound, "there is no such page")
		return
	}
	w.Header().Set("Content-Type", mime.TypeByExtension(path.Ext(name)))
	w.Header().Set("Cache-Control", "no-cache")
	send(w, r, data)
}

// serveFeed sends what changes, as server-sent events (WHATWG HTML, 9.2), until the
// page goes or the server ends.
func (b *Bench) serveFeed(w http.ResponseWriter, r *http.Request) {
	id := r.URL.Query().Get("case")
	control := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	defer b.enter(id)()
	if control.SetReadDeadline(time.Time{}) != nil { // the request is over, the page stays
		return
	}
	at := r.Header.Get("Last-Event-ID")
	const heartbeat = 15 * time.Second // so that a page that is gone is noticed
	for {
		p, changed := b.ledger.since(at, id)
		if len(p.Set) > 0 || at == "" {
			body, err := json.Marshal(p)
			if err != nil {
				return
			}
			at = p.At
			if err := control.SetWriteDeadline(time.Now().Add(patience)); err != nil {
				return
			}
			if _, err := fmt.Fprintf(w, "id: %s\ndata: %s\n\n", p.At, body); err != nil || control.Flush() != nil {
				return
			}
			select {
			case <-time.After(beat):
			case <-r.Context().Done():
				return
			}
			continue
		}
		select {
		case <-changed:
		case <-time.After(heartbeat):
			control.SetWriteDeadline(time.Now().Add(patience))
			if _, err := fmt.Fprint(w, ": still here\n\n"); err != nil || control.Flush() != nil {
				return
			}
		case <-r.Context().Done():
			return
		}
	}
}

// serveChanges sends once what changed, to browsers without server-sent events.
func (b *Bench) serveChanges(w http.ResponseWriter, r *http.Request) {
	id := r.URL.Query().Get("case")
	b.asked(id)
	p, _ := b.ledger.since(r.URL.Query().Get("since"), id)
	writeJSON(w, http.StatusOK, p)
}

// serveNames sends the names of a case and of its files, to who asked for them.
func (b *Bench) serveNames(w http.ResponseWriter, r *http.Request) {
	c := b.shelf.of(r.PathValue("id"))
	if c == nil {
		refuse(w, http.StatusNotFound, errNoCase.Error())
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	names := map[int]string{}
	for _, l := range c.detail.files {
		names[l.row.N] = l.name
	}
	writeJSON(w, http.StatusOK, map[string]any{"case": filepath.Base(c.dir), "list": c.detail.list, "files": names})
}

// serveMap sends a picture of the damage map, turned as it is wanted.
func (b *Bench) serveMap(w http.ResponseWriter, r *http.Request) {
	c := b.shelf.of(r.PathValue("id"))
	if c == nil {
		refuse(w, http.StatusNotFound, errNoCase.Error())
		return
	}
	q := r.URL.Query()
	turn, err := strconv.Atoi(or(q.Get("turn"), "0"))
	if err != nil || turn < -360 || turn > 360 {
		refuse(w, http.StatusBadRequest, "a turn is -360 to 360")
		return
	}
	want := picture{q.Get("sheet"), turn, chart.Reading}
	if q.Get("side") == "label" {
		want.side = chart.Label
	}
	svg, err := b.pictureOf(c, want)
	switch {
	case err != nil:
		refuse(w, http.StatusServiceUnavailable, pathless(b.Speech.Trouble(err), c.dir))
		return
	case svg == nil:
		refuse(w, http.StatusNotFound, "there is no such picture")
		return
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	if q.Get("download") != "" {
		attach(w, c.job+" "+want.sheet+".svg")
	}
	send(w, r, svg)
}

// pictureOf is a picture of a case's damage map; nil where there is none of that name. Of
// a case that nobody looks at it is made for this once.
func (b *Bench) pictureOf(c *shown, want picture) ([]byte, error) {
	c.mu.Lock()
	d := &c.detail
	if d.m == nil || !b.watchedCase(c.id) {
		c.mu.Unlock()
		m, err := imager.Load(c.dir)
		if err != nil {
			return nil, err
		}
		d = &detail{m: m, surface: imager.SurfaceOf(m, len(m.Rounds())-1), pictures: map[picture][]byte{}}
	} else {
		defer c.mu.Unlock()
	}
	if d.pictures[want] == nil {
		if _, err := d.draw(c.job, want.turn, want.side); err != nil {
			return nil, err
		}
	}
	return d.pictures[want], nil
}

// serveStatus sends the document of status --json, to be kept.
func (b *Bench) serveStatus(w http.ResponseWriter, r *http.Request) {
	c := b.shelf.of(r.PathValue("id"))
	if c == nil {
		refuse(w, http.StatusNotFound, errNoCase.Error())
		return
	}
	m, err := imager.Load(c.dir)
	if err != nil {
		refuse(w, http.StatusServiceUnavailable, pathless(b.Speech.Trouble(err), c.dir))
		return
	}
	attach(w, c.job+" status.json")
	writeJSON(w, http.StatusOK, imager.StatusIn(c.dir, m))
}

// reportPolicy is what a report may do: it is one file with its styles and drawings in
// it, and runs nothing.
const reportPolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'; sandbox"

// serveReport sends a page to print, or the hours.
func (b *Bench) serveReport(w http.ResponseWriter, r *http.Request) {
	c := b.shelf.of(r.PathValue("id"))
	write, ok := map[string]func(io.Writer, string) error{
		"customer": b.Reports.Customer, "bench": b.Reports.Bench, "hours": b.Reports.Hours}[r.PathValue("whom")]
	if c == nil || !ok {
		refuse(w, http.StatusNotFound, errNoCase.Error())
		return
	}
	var out bytes.Buffer // what fails in the middle is not sent in part
	if err := write(&out, c.dir); err != nil {
		refuse(w, http.StatusServiceUnavailable, pathless(b.Speech.Trouble(err), c.dir))
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	if r.PathValue("whom") == "hours" {
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		attach(w, c.job+" hours.csv")
	} else {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Security-Policy", reportPolicy)
	}
	send(w, r, out.Bytes())
}

// attach has the browser keep what is sent, under a name without what a header or a
// file system would mind.
func attach(w http.ResponseWriter, name string) {
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", strings.ReplaceAll(strings.ToLower(name), " ", "-")))
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

func writeJSON(w http.ResponseWriter, code int, doc any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	json.NewEncoder(w).Encode(doc)
}

// refuse says in a line why something is not done.
func refuse(w http.ResponseWriter, code int, why string) {
	writeJSON(w, code, reply{Error: why})
}
