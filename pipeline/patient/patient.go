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
	return hash(key, id, issuer+"\x00"+id)
}

// AccessionKey is the like of an accession number. Two zero bytes keep it apart
// from every patient's key.
func AccessionKey(key []byte, number string) string {
	return hash(key, number, "accession\x00\x00"+number)
}

// hash is the HMAC of text; empty without a key or an ID.
func hash(key []byte, id, text string) string {
	if len(key) == 0 || id == "" {
		return ""
	}
	m := hmac.New(sha256.New, key)
	m.Write([]byte(text))
	return hex.EncodeToString(m.Sum(nil))
}
