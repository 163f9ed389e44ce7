package dicomfile

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
)

const mediaStorageDirectory = "1.2.840.10008.1.3.10"

// record is a directory record with those below it.
type record struct {
	keys  dataset
	below []*record

	at int // offset of its item from the start of the file
}

// directory returns the DICOMDIR of films, whose sources lie in the folder
// disc/: records of patient, study, series and image (PS3.3 Annex F, PS3.10
// 8.6).
func directory(films []storedFilm) []byte {
	root := recordTree(films)
	var flat []*record
	var walk func(r *record)
	walk = func(r *record) {
		flat = append(flat, r)
		for _, b := range r.below {
			walk(b)
		}
	}
	for _, r := range root {
		walk(r)
	}

	e := encoder{order: binary.LittleEndian}
	head := preamble(mediaStorageDirectory, directoryUID(films), ExplicitLittleEndian)
	whole := func() (dataset, []dataset) {
		var d dataset
		d.set(tag.FileSetID, "HARROWVALE")
		d.set(tag.OffsetOfTheFirstDirectoryRecordOfTheRootDirectoryEntity, []uint32{uint32(root[0].at)})
		d.set(tag.OffsetOfTheLastDirectoryRecordOfTheRootDirectoryEntity, []uint32{uint32(root[len(root)-1].at)})
		d.set(tag.FileSetConsistencyFlag, []uint16{0})
		next := nextRecords(root)
		items := make([]dataset, len(flat))
		for i, r := range flat {
			items[i] = r.dataset(next[r])
		}
		return d, items
	}
	// Offsets have a fixed size, so a first pass with zeros finds the places.
	d, items := whole()
	at := len(head) + len(e.dataset(nil, d)) + sequenceHeader
	for i, r := range flat {
		r.at = at
		at += itemHeader + len(e.dataset(nil, items[i]))
	}
	d, items = whole()
	d.set(tag.DirectoryRecordSequence, items)
	return e.dataset(head, d)
}

// directoryUID returns the instance UID of the DICOMDIR, made from those of its
// films.
func directoryUID(films []storedFilm) string {
	h := fnv.New64a()
	for _, f := range films {
		fmt.Fprintln(h, f.facts.InstanceUID)
	}
	return fmt.Sprintf("2.25.%d", h.Sum64())
}

// Sizes in explicit little endian (PS3.5 7.1.2, 7.5.1).
const (
	sequenceHeader = 12
	itemHeader     = 8
)

// nextRecords returns the record that follows each of its siblings.
func nextRecords(siblings []*record) map[*record]*record {
	next := map[*record]*record{}
	var walk func([]*record)
	walk = func(s []*record) {
		for i, r := range s {
			if i+1 < len(s) {
				next[r] = s[i+1]
			}
			walk(r.below)
		}
	}
	walk(siblings)
	return next
}

// dataset returns the record's item; next is nil for the last of its siblings.
func (r *record) dataset(next *record) dataset {
	d := slices.Clone(r.keys)
	var after, lower uint32
	if next != nil {
		after = uint32(next.at)
	}
	if len(r.below) > 0 {
		lower = uint32(r.below[0].at)
	}
	d.set(tag.OffsetOfTheNextDirectoryRecord, []uint32{after})
	d.set(tag.RecordInUseFlag, []uint16{0xFFFF})
	d.set(tag.OffsetOfReferencedLowerLevelDirectoryEntity, []uint32{lower})
	return d
}

// recordTree groups films by patient, study and series, in order of their IDs.
func recordTree(films []storedFilm) []*record {
	films = slices.Clone(films)
	slices.SortStableFunc(films, func(a, b storedFilm) int {
		return cmp.Or(
			cmp.Compare(a.facts.PatientID, b.facts.PatientID),
			cmp.Compare(a.facts.StudyUID, b.facts.StudyUID),
			cmp.Compare(a.facts.SeriesUID, b.facts.SeriesUID),
		)
	})
	var root []*record
	var patient, study, series *record
	for i, s := range films {
		f := s.facts
		before := func(key func(storedFilm) string) bool { return i > 0 && key(films[i-1]) == key(s) }
		samePatient := before(func(s storedFilm) string { return s.facts.PatientID })
		sameStudy := samePatient && before(func(s storedFilm) string { return s.facts.StudyUID })
		sameSeries := sameStudy && before(func(s storedFilm) string { return s.facts.SeriesUID })
		if !samePatient {
			patient = newRecord("PATIENT")
			patient.keys.set(tag.PatientName, f.PatientName)
			patient.keys.set(tag.PatientID, f.PatientID)
			root = append(root, patient)
		}
		if !sameStudy {
			study = newRecord("STUDY")
			study.keys.set(tag.StudyDate, f.StudyDate)
			study.keys.set(tag.StudyTime, studyTime)
			study.keys.set(tag.StudyDescription, "")
			study.keys.set(tag.StudyInstanceUID, f.StudyUID)
			study.keys.set(tag.StudyID, studyID)
			study.keys.set(tag.AccessionNumber, "")
			patient.below = append(patient.below, study)
		}
		if !sameSeries {
			series = newRecord("SERIES")
			series.keys.set(tag.Modality, f.Modality)
			series.keys.set(tag.SeriesInstanceUID, f.SeriesUID)
			series.keys.set(tag.SeriesNumber, "1")
			study.below = append(study.below, series)
		}
		image := newRecord("IMAGE")
		fileID := strings.TrimPrefix(s.truth.Source, "disc/")
		image.keys.set(tag.ReferencedFileID, strings.ReplaceAll(fileID, "/", `\`))
		image.keys.set(tag.ReferencedSOPClassUIDInFile, s.class)
		image.keys.set(tag.ReferencedSOPInstanceUIDInFile, f.InstanceUID)
		image.keys.set(tag.ReferencedTransferSyntaxUIDInFile, string(s.truth.Syntax))
		image.keys.set(tag.InstanceNumber, "1")
		series.below = append(series.below, image)
	}
	return root
}

func newRecord(kind string) *record {
	r := &record{}
	r.keys.set(tag.DirectoryRecordType, kind)
	r.keys.set(tag.SpecificCharacterSet, characterSet)
	return r
}
