package intake

import (
	"github.com/suyashkumar/dicom/pkg/tag"

	"shaftgauge/pipeline/intake/part10"
)

// locateFragments sorts fragments into frames: by the extended or the basic
// offset table where there is one, else one fragment a frame, else by the
// codestreams' first bytes (PS3.5 A.4).
func (s *stored) locateFragments(d *part10.Dataset) error {
	n := len(s.Fragments)
	if n < s.frames {
		return unreadable("%d fragments for %d frames", n, s.frames)
	}
	offsets := d.Uint64s(tag.ExtendedOffsetTable)
	if len(offsets) == 0 {
		for _, o := range s.Offsets {
			offsets = append(offsets, uint64(o))
		}
	}
	switch {
	case s.frames == 1:
		s.starts = []int{0}
	case len(offsets) == s.frames:
		at := 0
		for _, o := range offsets {
			for at < n && s.ItemOffset(at) < int64(o) {
				at++
			}
			if at == n || s.ItemOffset(at) != int64(o) {
				return unreadable("offset table points to %d, where no fragment begins", o)
			}
			s.starts = append(s.starts, at)
		}
	case n == s.frames:
		for i := range n {
			s.starts = append(s.starts, i)
		}
	default:
		if err := s.scanStarts(); err != nil {
			return err
		}
	}
	s.starts = append(s.starts, n)
	return nil
}

// scanStarts takes a fragment that begins like a codestream for a frame's first.
func (s *stored) scanStarts() error {
	head := make([]byte, 3)
	for i, f := range s.Fragments {
		if n, _ := s.Source.ReadAt(head[:min(3, f.N)], f.Off); n == 3 &&
			(string(head) == "\xFF\xD8\xFF" || string(head) == "\xFF\x4F\xFF") {
			s.starts = append(s.starts, i)
		}
	}
	if len(s.starts) != s.frames {
		return unreadable("%d codestreams in %d fragments for %d frames", len(s.starts), len(s.Fragments), s.frames)
	}
	return nil
}
