// Package patient turns a patient's identity into a key that tells films of one
// patient apart from those of others and nothing else.
package patient

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
)

// Key is the HMAC-SHA-256 (RFC 2104) of issuer and patient ID under the user's
// key, in hexadecimal. It is empty without a key or an ID. A zero byte, which no
// DICOM text holds, keeps issuer and ID apart.
func Key(key []byte, issuer, id string) string {
	if len(key) == 0 || id == "" {
		return ""
	}
	m := hmac.New(sha256.New, key)
	m.Write([]byte(issuer + "\x00" + id))
	return hex.EncodeToString(m.Sum(nil))
}
