package review

import (
	"context"
	"embed"
	"fmt"
	"io"
	"io/fs"
	"log"
	"mime"
	"net"
	"net/http"
	"path"
	"time"

	"shaftgauge/measure"
	"shaftgauge/pipeline"
)

//go:embed page
var pages embed.FS

// Config is what a Server serves.
type Config struct {
	Run     string            // digest of the rows
	Femurs  []measure.Femur   // all rows, in the order of the tables
	Results *pipeline.Results // what was measured of each film
	Films   *Films
	Reading Reading // whose decisions are shown and taken

	// Thumb returns the path of the small drawing of a frame.
	Thumb func(source string, frame int) string
	// Changed is called after every decision; it must not block. Nil: nobody is
	// told.
	Changed func()
}

// Server answers the requests of the pages.
type Server struct {
	Config
	rows   *rows
	keys   map[string]string
	store  *Store
	assets map[string]asset
}

// asset is a file of the page.
type asset struct {
	kind string // media type
	body []byte
}

// New makes a server of a finished run.
func New(ctx context.Context, c Config) (*Server, error) {
	s := &Server{Config: c}
	var err error
	if s.keys, err = c.Results.Keys(ctx); err != nil {
		return nil, err
	}
	if s.store, err = OpenStore(ctx, c.Results.DB(), c.Run); err != nil {
		return nil, err
	}
	s.rows = newRows(c.Femurs, s.keys)
	s.assets, err = assets()
	return s, err
}

// mediaTypes of the page's files; the system's own table may have others.
var mediaTypes = map[string]string{".html": "text/html; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml"}

// assets reads the page's files by the path they are served at.
func assets() (map[string]asset, error) {
	out := make(map[string]asset)
	err := fs.WalkDir(pages, "page", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := pages.ReadFile(name)
		if err != nil {
			return err
		}
		kind := mediaTypes[path.Ext(name)]
		if kind == "" {
			kind = mime.TypeByExtension(path.Ext(name))
		}
		out[name[len("page"):]] = asset{kind, b}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("review: page: %w", err)
	}
	out["/"] = out["/index.html"]
	return out, nil
}

// Handler answers all paths; put a [Guard] in front of it.
func (s *Server) Handler() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /api/list", s.list)
	m.HandleFunc("GET /api/progress", s.progress)
	m.HandleFunc("GET /api/ticks", s.ticks)
	m.HandleFunc("GET /api/row/{id}", s.row)
	m.HandleFunc("GET /api/image/{id}", s.image)
	m.HandleFunc("GET /api/thumb/{id}", s.thumb)
	m.HandleFunc("POST /api/preview/{id}", s.preview)
	m.HandleFunc("POST /api/decide/{id}", s.decide)
	m.HandleFunc("POST /api/undo/{id}", s.undo)
	m.HandleFunc("GET /", s.asset)
	return m
}

func (s *Server) asset(w http.ResponseWriter, r *http.Request) {
	a, ok := s.assets[r.URL.Path]
	if !ok {
		fail(w, http.StatusNotFound, "no such page")
		return
	}
	w.Header().Set("Content-Type", a.kind)
	w.Write(a.body)
}

// Serve answers at l until ctx ends, over TLS where cert and key name its files.
func Serve(ctx context.Context, l net.Listener, h http.Handler, cert, key string) error {
	hs := &http.Server{Handler: h, MaxHeaderBytes: maxHeaderBytes,
		ReadHeaderTimeout: readLimit, ReadTimeout: readLimit, WriteTimeout: writeLimit, IdleTimeout: idleLimit,
		ErrorLog: log.New(io.Discard, "", 0)} // a browser that goes away is no news
	ended := make(chan error, 1)
	go func() {
		<-ctx.Done()
		grace, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		ended <- hs.Shutdown(grace)
	}()
	var err error
	if cert != "" {
		err = hs.ServeTLS(l, cert, key)
	} else {
		err = hs.Serve(l)
	}
	if ctx.Err() != nil {
		if err = <-ended; err != nil {
			hs.Close() // what is still in flight after the grace
		}
		return nil
	}
	return fmt.Errorf("review: %w", err)
}
