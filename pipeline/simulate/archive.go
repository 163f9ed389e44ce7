package simulate

import (
	"fmt"
	"math/rand/v2"
)

// negativeEvery is how many films of an archive come to one without a femur.
const negativeEvery = 25

// Archive draws the scenes of k films of an invented service: people with one to
// four films each, both sides and views among them, from all groups in turn, and
// now and then a film that shows no femur.
func Archive(seed uint64, k int, unseen bool) []Scene {
	rng := rand.New(rand.NewPCG(seed, 0xa7c4))
	from := Draw
	if unseen {
		from = DrawUnseen
	}
	kinds := Negatives()
	out := make([]Scene, 0, k)
	person, day, study := "", "", uint64(0)
	var given string
	left := 0
	for i := range k {
		s := from(rng, groups[i%len(groups)].name)
		if i%negativeEvery == negativeEvery-1 {
			s = DrawNegative(rng, kinds[rng.IntN(len(kinds))])
		}
		if left == 0 {
			left = 1 + rng.IntN(4)
			person, given, day = fmt.Sprintf("HV%06d", 100000+i), s.Facts.PatientName, s.Facts.StudyDate
			study = s.Seed
		}
		left--
		s.Facts.PatientID, s.Facts.PatientName, s.Facts.StudyDate = person, given, day
		s.Facts.StudyUID = uid(study, 1)
		out = append(out, s)
	}
	return out
}
