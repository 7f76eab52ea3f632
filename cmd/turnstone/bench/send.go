package bench

import (
	"bytes"
	"compress/gzip"
	"net/http"
	"strings"
)

// send sends data, packed where the browser takes it so.
func send(w http.ResponseWriter, r *http.Request, data []byte) {
	w.Header().Add("Vary", "Accept-Encoding")
	if !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		w.Write(data)
		return
	}
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	z.Write(data) // into memory: it does not fail
	z.Close()
	w.Header().Set("Content-Encoding", "gzip")
	w.Write(packed.Bytes())
}
