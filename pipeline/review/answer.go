package review

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
)

// gzipFrom is the size in bytes from which an answer is worth packing.
const gzipFrom = 4 << 10

// reply sends v as JSON, packed where the browser takes that and it is long.
func reply(w http.ResponseWriter, r *http.Request, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		fail(w, http.StatusInternalServerError, "review: "+err.Error())
		return
	}
	head := w.Header()
	head.Set("Content-Type", "application/json")
	head.Set("Vary", "Accept-Encoding")
	if len(b) >= gzipFrom && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		var packed bytes.Buffer
		z, _ := gzip.NewWriterLevel(&packed, gzip.BestSpeed) // a valid level
		z.Write(b)
		z.Close()
		head.Set("Content-Encoding", "gzip")
		b = packed.Bytes()
	}
	head.Set("Content-Length", strconv.Itoa(len(b)))
	w.WriteHeader(status)
	w.Write(b)
}

// fail sends what went wrong.
func fail(w http.ResponseWriter, status int, why string) {
	b, _ := json.Marshal(map[string]string{"error": why}) // a string always marshals
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	w.Write(b)
}
