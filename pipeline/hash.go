package pipeline

import (
	"archive/zip"
	"crypto/sha256"
	"fmt"
	"io"
	"os"

	"shaftgauge/measure"
	"shaftgauge/pipeline/source"
)

// digest returns the SHA-256 of a film's content. No more than limit bytes are
// read, whatever an archive says of its member.
func digest(f source.File, limit int64) (sum [sha256.Size]byte, failed *failure) {
	r, err := open(f)
	if err != nil {
		return sum, &failure{measure.UnreadableFile, err.Error()}
	}
	defer r.Close()
	h := sha256.New()
	n, err := io.Copy(h, io.LimitReader(r, limit+1))
	if err != nil {
		return sum, &failure{measure.UnreadableFile, err.Error()}
	}
	if n > limit {
		return sum, &failure{measure.ImageTooLarge, fmt.Sprintf("more than %d bytes", limit)}
	}
	h.Sum(sum[:0])
	return sum, nil
}

// open opens the film's file, or its member of an archive.
func open(f source.File) (io.ReadCloser, error) {
	if f.Member == "" {
		return os.Open(f.Path)
	}
	z, err := zip.OpenReader(f.Path)
	if err != nil {
		return nil, err
	}
	for _, m := range z.File {
		if m.Name != f.Member {
			continue
		}
		r, err := m.Open()
		if err != nil {
			z.Close()
			return nil, err
		}
		return member{r, z}, nil
	}
	z.Close()
	return nil, fmt.Errorf("no member %q", f.Member)
}

// member closes its archive with itself.
type member struct {
	io.ReadCloser
	archive *zip.ReadCloser
}

func (m member) Close() error {
	err := m.ReadCloser.Close()
	if e := m.archive.Close(); err == nil {
		err = e
	}
	return err
}
