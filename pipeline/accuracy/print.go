package accuracy

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"shaftgauge/measure"
)

// WriteText writes the report as tables for people: the checks, an overview of
// the groups, then each group, then the films to look at.
func (r *Report) WriteText(w io.Writer) error {
	var b strings.Builder
	b.WriteString("Errors are measured less true; median and p95 (95th percentile) are of the absolute\n" +
		"error; u95 % is the share of truths within the row's expanded uncertainty, by itself, and judged\n" +
		"by its 95 % Wilson interval: ok is 90 to 98 %, open may be by chance, LOW and HIGH are not;\n" +
		"worst is the film of the greatest error.\n\nChecks\n\n")
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "\tlimit\tgot\tn\t")
	for _, c := range r.Checks {
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%s\n", c.Name, c.Limit, c.Got, c.N, c.Verdict)
	}
	t.Flush()
	r.overview(&b)
	for i := range r.Groups {
		r.Groups[i].text(&b)
	}
	if len(r.Findings) > 0 {
		b.WriteString("\nFilms to look at\n\n")
	}
	for _, f := range r.Findings {
		fmt.Fprintf(&b, "%q: %s\n", f.Source, f.What)
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("accuracy: %w", err)
	}
	return nil
}

// overview writes one line a group.
func (r *Report) overview(b *strings.Builder) {
	b.WriteString("\nGroups\n\n")
	const line = "%-16s %5s %6s %6s %9s %8s %7s %14s %7s %7s %-5s\n"
	fmt.Fprintf(b, line, "group", "films", "femurs", "found", "measured", "partial", "not", "cortex median", "p95", "u95 %", "")
	for i := range r.Groups {
		g := &r.Groups[i]
		n := func(s measure.Status) string {
			for _, c := range g.Status {
				if c.Word == string(s) {
					return strconv.Itoa(c.N)
				}
			}
			return "0"
		}
		fmt.Fprintf(b, line, g.Name, strconv.Itoa(g.Tally.Films), strconv.Itoa(g.Tally.Femurs), strconv.Itoa(g.Tally.Found),
			n(measure.StatusMeasured), n(measure.StatusPartial), n(measure.StatusNotMeasured),
			number(g.cortex.Median, 3), number(g.cortex.P95, 3), number(100*g.U95.Share(), 1), string(coverage(g.U95)))
	}
}

func (g *Group) text(b *strings.Builder) {
	y := g.Tally
	fmt.Fprintf(b, "\nGroup %s: %d films (%d without a row), femurs found %s\n", g.Name, y.Films, y.FilmsWithoutRow, percent(y.Found, y.Femurs))
	fmt.Fprintf(b, "rows %d (%d on no true femur); side right %d, wrong %d, empty %d; view right %d, wrong %d, empty %d;\n",
		y.Rows, y.RowsWithoutTruth, y.SideRight, y.SideWrong, y.Found-y.SideRight-y.SideWrong,
		y.ViewRight, y.ViewWrong, y.Found-y.ViewRight-y.ViewWrong)
	fmt.Fprintf(b, "edges exchanged %d, upside down %d; level origin not the truth's %d, scale basis %d\n",
		y.Swapped, y.Reversed, y.OriginDiffers, y.ScaleDiffers)
	fmt.Fprintf(b, "status: %s\n", list(g.Status))
	fmt.Fprintf(b, "reasons: %s\n", list(g.Reasons))
	fmt.Fprintf(b, "u95 holds %s (95 %% interval in %%): %s\n", g.U95.interval(), coverage(g.U95))
	g.Focal.text(b)
	g.Lines.text(b)
	g.Metal.text(b)
	kinds(b, g.Kinds)
	g.Broken.text(b)
	turned(b, g.Turned)
	if len(g.Columns) == 0 {
		return
	}
	const head, line = "\n%-30s %-4s %6s %6s %5s %8s %9s %8s %8s %10s %6s %-5s %s\n", "%-30s %-4s %6d %6d %5d %8d %9s %8s %8s %10s %6s %-5s %s\n"
	fmt.Fprintf(b, head, "column", "unit", "truths", "values", "extra", "compared", "bias", "median", "p95", "median u95", "u95 %", "", "worst")
	for _, c := range g.Columns {
		row := fmt.Sprintf(line, c.Name, c.Unit, c.Truths, c.Values, c.Extra, c.N,
			number(c.Bias, c.Digits+1), number(c.Median, c.Digits+1), number(c.P95, c.Digits+1),
			number(c.U95, c.Digits+1), number(100*c.Covered, 1), string(coverage(c.rate())), c.Worst)
		b.WriteString(strings.TrimRight(row, " \n") + "\n")
	}
}

// list writes counts with their words.
func list(c []Count) string {
	if len(c) == 0 {
		return "none"
	}
	var out []string
	for _, k := range c {
		out = append(out, fmt.Sprintf("%s %d", k.Word, k.N))
	}
	return strings.Join(out, ", ")
}

// number writes x with fixed decimals, "-" for none and never -0.
func number(x float64, digits int) string {
	if !finite(x) {
		return "-"
	}
	s := strconv.FormatFloat(x, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// WriteCSV writes one row a group and column, empty where there is no number.
func (r *Report) WriteCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	rows := [][]string{{"group", "column", "unit", "truths", "values", "extra", "compared", "bias", "median_abs_error", "p95_abs_error", "median_u95", "u95_coverage", "u95_judgement", "worst"}}
	cell := func(x float64, digits int) string {
		if !finite(x) {
			return ""
		}
		return number(x, digits)
	}
	for _, g := range r.Groups {
		for _, col := range g.Columns {
			rows = append(rows, []string{g.Name, col.Name, col.Unit, strconv.Itoa(col.Truths), strconv.Itoa(col.Values),
				strconv.Itoa(col.Extra), strconv.Itoa(col.N), cell(col.Bias, col.Digits+1), cell(col.Median, col.Digits+1),
				cell(col.P95, col.Digits+1), cell(col.U95, col.Digits+1), cell(col.Covered, 3), string(coverage(col.rate())), col.Worst})
		}
	}
	if err := c.WriteAll(rows); err != nil {
		return fmt.Errorf("accuracy: %w", err)
	}
	return nil
}

// WriteJSON writes the report as indented JSON, null where there is no number.
func (r *Report) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	if err := e.Encode(r); err != nil {
		return fmt.Errorf("accuracy: %w", err)
	}
	return nil
}

// some is nil where there is no number.
func some(x float64) *float64 {
	if !finite(x) {
		return nil
	}
	return &x
}

// MarshalJSON writes null where there is no number.
func (s Spread) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Compared int      `json:"compared"`
		Bias     *float64 `json:"bias"`
		Median   *float64 `json:"median_abs_error"`
		P95      *float64 `json:"p95_abs_error"`
		U95      *float64 `json:"median_u95"`
		Covered  *float64 `json:"u95_coverage"`
		Worst    string   `json:"worst,omitempty"`
	}{s.N, some(s.Bias), some(s.Median), some(s.P95), some(s.U95), some(s.Covered), s.Worst})
}

// MarshalJSON writes null where there is no number.
func (c Column) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Name     string   `json:"name"`
		Unit     string   `json:"unit"`
		Truths   int      `json:"truths"`
		Values   int      `json:"values"`
		Extra    int      `json:"extra"`
		Compared int      `json:"compared"`
		Bias     *float64 `json:"bias"`
		Median   *float64 `json:"median_abs_error"`
		P95      *float64 `json:"p95_abs_error"`
		U95      *float64 `json:"median_u95"`
		Covered  *float64 `json:"u95_coverage"`
		Judged   Coverage `json:"u95_judgement"`
		Worst    string   `json:"worst,omitempty"`
	}{c.Name, c.Unit, c.Truths, c.Values, c.Extra, c.N, some(c.Bias), some(c.Median), some(c.P95), some(c.U95), some(c.Covered), coverage(c.rate()), c.Worst})
}
