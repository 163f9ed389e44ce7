package accuracy

import (
	"fmt"
	"strings"
)

// find lists what is wrong with the rows of f, numbers aside.
func find(f *Film, pairs []pair) (what []string) {
	say := func(wrong bool, format string, a ...any) {
		if wrong {
			what = append(what, fmt.Sprintf(format, a...))
		}
	}
	say(len(f.Rows) == 0, "no row")
	used, broken := map[int]bool{}, false
	for _, p := range pairs {
		t := &f.Truth.Femurs[p.truth]
		if t.Broken {
			broken = true
			continue
		}
		name := fmt.Sprintf("%s %s femur, %.0f mm of diaphysis", t.Side, t.View, t.DiaphysisTo-t.DiaphysisFrom)
		if p.row < 0 {
			say(true, "%s: not found", name)
			continue
		}
		used[p.row] = true
		r := &f.Rows[p.row].Record
		say(r.Side != "" && r.Side != t.Side, "%s: side %s", name, r.Side)
		say(r.View != "" && r.View != t.View, "%s: view %s", name, r.View)
		say(p.swapped, "%s: edges exchanged", name)
		say(p.reversed, "%s: upside down", name)
	}
	for _, p := range pairs {
		t := &f.Truth.Femurs[p.truth]
		name := fmt.Sprintf("%s %s femur", t.Side, t.View)
		if m := f.focal(p); m != nil {
			m.say(name, say)
		}
		kind := metalKind(t)
		told, flagged := f.implant(p, used)
		say(kind == metalNone && flagged, "%s: implant %s where there is none", name, told)
		say(kind != metalNone && kind != metalLoose && kind != metalOff && !flagged, "%s: implant %s: %s", name, kind, told)
		touching, _ := f.touching(p)
		say(len(touching) > 0, "%s: beside metal: %s", name, strings.Join(touching, ", "))
	}
	f.sayRefusals(say)
	for i := range f.Rows {
		say(!used[i] && !broken && claimed(&f.Rows[i]), "row %d: on no true femur", i+1)
	}
	return what
}
