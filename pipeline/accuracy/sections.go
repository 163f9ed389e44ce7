package accuracy

import (
	"fmt"
	"strings"
)

// text writes how thickenings were found.
func (f *Focal) text(b *strings.Builder) {
	if f == nil {
		return
	}
	b.WriteString("\n")
	for i, k := range f.Classes {
		if i == 0 && f.truths() > 0 {
			b.WriteString("focal thickenings     truths  looked   found  beyond 3 mm   of looked at    of all\n")
		}
		if k.Truths > 0 {
			fmt.Fprintf(b, "%-20s  %6d  %6d  %6d  %11d  %12s  %8s\n", k.Name, k.Truths, k.Looked, k.Found, k.Beyond,
				share(k.Found, k.Looked), share(k.Found, k.Truths))
		}
	}
	fmt.Fprintf(b, "films without a thickening: %d; looked at and get one: %s; findings beside a true one %d\n", f.Films, f.Clear.interval(), f.Extra)
	if len(f.Confounders) > 0 {
		var out []string
		for _, k := range f.Confounders {
			out = append(out, fmt.Sprintf("%s %d of %d", k.Kind, k.Taken.Part, k.Taken.Whole))
		}
		fmt.Fprintf(b, "taken for one: %s\n", strings.Join(out, "; "))
	}
	if f.Surface.Whole > 0 {
		fmt.Fprintf(b, "surface right %s; outer share of the height: bias %s, median %s, p95 %s\n", f.Surface,
			number(f.Share.Bias, 2), number(f.Share.Median, 2), number(f.Share.P95, 2))
	}
}

func (f *Focal) truths() (n int) {
	for _, k := range f.Classes {
		n += k.Truths
	}
	return n
}

// text writes how lines were seen.
func (l *Lines) text(b *strings.Builder) {
	if l == nil {
		return
	}
	b.WriteString("\nlucent lines          truths    seen  not seen  not assessable  no finding  wrong floor   of assessable    of all\n")
	for _, k := range l.Classes {
		if k.Truths > 0 {
			fmt.Fprintf(b, "%-20s  %6d  %6d  %8d  %14d  %10d  %11d  %14s  %8s\n", k.Name, k.Truths, k.Seen, k.NotSeen, k.NotAssessable,
				k.Missed, k.BelowFloor, share(k.Seen, k.Seen+k.NotSeen), share(k.Seen, k.Truths))
		}
	}
	fmt.Fprintf(b, "seen where there is none: %s; tilt of those of 0.7 mm or wider: bias %s, median %s, p95 %s deg\n", l.False.interval(),
		number(l.Tilt.Bias, 1), number(l.Tilt.Median, 1), number(l.Tilt.P95, 1))
}

// text writes how metal was named.
func (m *Metal) text(b *strings.Builder) {
	if m == nil {
		return
	}
	fmt.Fprintf(b, "\nimplants flagged %s, kind right %s; false alarms %s; numbers that touch metal %s\n", m.Flagged, m.Right, m.Alarms, m.Touching)
	fmt.Fprintf(b, "%-16s %-16s %5s\n", "metal", "told", "n")
	for _, k := range m.Kinds {
		fmt.Fprintf(b, "%-16s %-16s %5d\n", k.Truth, k.Told, k.N)
	}
}

// kinds writes what pictures without a femur got.
func kinds(b *strings.Builder, list []Kind) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%-16s %5s  %-13s %s\n", "without a femur", "films", "row claims it", "any number")
	for _, k := range list {
		fmt.Fprintf(b, "%-16s %5d  %13d %10d\n", k.Name, k.Films, k.Claims, k.Numbers)
	}
}

// text writes how displaced fractures were told.
func (k *Broken) text(b *strings.Builder) {
	if k != nil {
		fmt.Fprintf(b, "\nbroken femurs called discontinuous %s, with a bow %d; whole ones called so %s\n", k.Flagged, k.Bows, k.False)
	}
}

// turned writes which turned legs were told.
func turned(b *strings.Builder, list []TurnedClass) {
	if len(list) == 0 {
		return
	}
	var out []string
	for _, k := range list {
		out = append(out, fmt.Sprintf("%s %d of %d", k.Name, k.Flagged.Part, k.Flagged.Whole))
	}
	fmt.Fprintf(b, "\nAP rows called turned, by the leg's true rotation: %s\n", strings.Join(out, "; "))
}

// share writes a part in per cent, "-" for a part of nothing.
func share(part, whole int) string {
	if whole == 0 {
		return "-"
	}
	return number(100*float64(part)/float64(whole), 1) + " %"
}
