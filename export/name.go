package export

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
)

// FrameName returns the file name, without extension, of what is written for
// one frame of source: a readable part, 64 bits of the source's SHA-256, and
// the frame. It depends on nothing else, holds only letters, digits, '_' and
// '-', and differs for different sources also where case is folded.
func FrameName(source string, frame int) string {
	sum := sha256.Sum256([]byte(source))
	return fmt.Sprintf("%s-%s-%d", slug(source), hex.EncodeToString(sum[:8]), frame)
}

// FemurName returns the file name, without extension, of what is written for
// the n-th femur, from 1, on one frame of source.
func FemurName(source string, frame, n int) string {
	return fmt.Sprintf("%s-%d", FrameName(source, frame), n)
}

// slug returns the last part of s that a person would know it by: at most 60
// of its own letters and digits, everything else as '_'.
func slug(s string) string {
	const longest = 60
	s = strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-':
			return r
		}
		return '_'
	}, s)
	if len(s) > longest {
		s = s[len(s)-longest:]
	}
	if s = strings.Trim(s, "-_"); s == "" {
		return "film"
	}
	return s
}
