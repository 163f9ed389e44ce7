package pipeline

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"

	"shaftgauge/pipeline/source"
)

// Content returns the bytes of a film and their SHA-256 as run.json has it.
//
// Errors: it cannot be read, or holds more than limit bytes.
func Content(f source.File, limit int64) (content []byte, sum string, err error) {
	r, err := open(f)
	if err != nil {
		return nil, "", fmt.Errorf("pipeline: %w", err)
	}
	defer r.Close()
	content, err = io.ReadAll(io.LimitReader(r, limit+1))
	switch {
	case err != nil:
		return nil, "", fmt.Errorf("pipeline: %w", err)
	case int64(len(content)) > limit:
		return nil, "", fmt.Errorf("pipeline: %s: more than %d bytes", f.Source, limit)
	}
	digest := sha256.Sum256(content)
	return content, hex.EncodeToString(digest[:]), nil
}
