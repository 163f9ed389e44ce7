package simulate

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
)

// turns are the groups of n films, each in turn.
func turns(n int) []string {
	out := make([]string, n)
	for i := range out {
		out[i] = Groups()[i%len(Groups())]
	}
	return out
}

// Films of one person show one pair of femurs: the same bone on two days, with
// its thickening no smaller, and its counterpart on the other side.
func TestPeopleShareFemurs(t *testing.T) {
	groups := turns(200)
	visits := People(7, groups)
	if !reflect.DeepEqual(visits, People(7, groups)) {
		t.Fatal("the same seed gave other visits")
	}
	type film struct {
		Scene
		*Visit
	}
	people := map[uint64][]film{}
	for i, v := range visits {
		if v == nil {
			continue
		}
		s := v.Draw(rand.New(rand.NewPCG(7, uint64(i))), groups[i], false)
		if s.Group != groups[i] {
			t.Errorf("film %d is of group %s, want %s", i, s.Group, groups[i])
		}
		people[v.person] = append(people[v.person], film{s, v})
	}
	sides, days, grown, mirrored, instances := 0, 0, 0, 0, map[string]bool{}
	for _, films := range people {
		if len(films) < 2 {
			t.Error("a person with one film is called one of several")
		}
		for i, a := range films {
			if instances[a.Facts.InstanceUID] {
				t.Error("two films have one instance UID")
			}
			instances[a.Facts.InstanceUID] = true
			for _, b := range films[:i] {
				x, y := a.Legs[0].Anatomy, b.Legs[0].Anatomy
				if a.Facts.PatientID != b.Facts.PatientID || a.Facts.PatientName != b.Facts.PatientName {
					t.Errorf("one person is %s and %s", a.Facts.PatientID, b.Facts.PatientID)
				}
				if sameDay := a.later == b.later; sameDay != (a.Facts.StudyUID == b.Facts.StudyUID) || sameDay != (a.Facts.StudyDate == b.Facts.StudyDate) {
					t.Errorf("studies %s and %s", a.Facts.StudyDate, b.Facts.StudyDate)
				}
				if a.side != b.side {
					sides++
					if x.Side == y.Side || x.Length == y.Length || abs(x.Length-y.Length) > 0.02*x.Length || abs(x.HeadRadius-y.HeadRadius) > 0.05*x.HeadRadius {
						t.Errorf("two sides: lengths %g and %g mm, heads %g and %g", x.Length, y.Length, x.HeadRadius, y.HeadRadius)
					}
					if len(x.Focal) > 0 && len(y.Focal) > 0 {
						mirrored++
					}
					continue
				}
				days++
				if len(x.Focal) > 0 && a.later != b.later {
					grown++
					if (x.Focal[0].Height > y.Focal[0].Height) != a.later {
						t.Error("a thickening shrank")
					}
				}
				x.Focal, y.Focal = nil, nil
				if !reflect.DeepEqual(x, y) {
					t.Error("one femur is two")
				}
			}
		}
	}
	if sides == 0 || days == 0 || grown == 0 || mirrored == 0 {
		t.Errorf("%d pairs of sides, %d over time, %d grown, %d mirrored: want some of each", sides, days, grown, mirrored)
	}
	for i, v := range visits {
		if v != nil && groups[i] == "thickening" && len(v.Draw(rand.New(rand.NewPCG(7, uint64(i))), groups[i], false).Legs[0].Anatomy.Focal) == 0 {
			t.Errorf("film %d of the group thickening has none", i)
		}
	}
}

// One turn of the groups, a small archive, has somebody's both femurs on two
// days, in AP and in lateral view.
func TestSmallArchiveHasPeople(t *testing.T) {
	for seed := range uint64(20) {
		groups := turns(len(Groups()))
		whole := map[uint64]int{}
		for i, v := range People(seed, groups) {
			if v != nil && slices.Contains(alike[0], groups[i]) != slices.Contains(alike[1], groups[i]) {
				whole[v.person]++
			}
		}
		four := 0
		for _, n := range whole {
			if n == 4 {
				four++
			}
		}
		if four < 2 {
			t.Errorf("seed %d: people with so many films: %v", seed, whole)
		}
	}
}
