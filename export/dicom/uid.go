package dicom

import (
	"crypto/sha256"
	"math/big"
)

// newUID returns a UID below 2.25 that depends on parts alone: their SHA-256
// cut to a UUID of version 8.
//
// Source: PS3.5 B.2; RFC 9562, 5.8 (version 8: the application's own bits).
func newUID(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		sum := sha256.Sum256([]byte(p)) // of one length, so that parts do not run together
		h.Write(sum[:])
	}
	b := h.Sum(nil)[:16]
	b[6] = b[6]&0x0F | 0x80
	b[8] = b[8]&0x3F | 0x80
	return "2.25." + new(big.Int).SetBytes(b).String()
}
