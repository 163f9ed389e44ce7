package accuracy

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
)

// WriteText writes the report as tables for people: the checks, then each group.
func (r *Report) WriteText(w io.Writer) error {
	var b strings.Builder
	b.WriteString("Errors are measured less true; median and p95 (95th percentile) are of the absolute\n" +
		"error; u95 % is the share of truths within the row's expanded uncertainty; worst is the film of\n" +
		"the greatest error.\n\nChecks\n\n")
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "\tlimit\tgot\tn\t")
	for _, c := range r.Checks {
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%s\n", c.Name, c.Limit, c.Got, c.N, c.Verdict)
	}
	t.Flush()
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

func (g *Group) text(b *strings.Builder) {
	y := g.Tally
	fmt.Fprintf(b, "\nGroup %s: %d films (%d without a row), femurs found %s\n", g.Name, y.Films, y.FilmsWithoutRow, percent(y.Found, y.Femurs))
	fmt.Fprintf(b, "rows %d (%d on no true femur); side right %d, wrong %d, empty %d; view right %d, wrong %d, empty %d;\n",
		y.Rows, y.RowsWithoutTruth, y.SideRight, y.SideWrong, y.Found-y.SideRight-y.SideWrong,
		y.ViewRight, y.ViewWrong, y.Found-y.ViewRight-y.ViewWrong)
	fmt.Fprintf(b, "edges exchanged %d, upside down %d; level origin not the truth's %d, scale basis %d\n\n",
		y.Swapped, y.Reversed, y.OriginDiffers, y.ScaleDiffers)
	if len(g.Columns) == 0 {
		return
	}
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "column\tunit\ttruths\tvalues\textra\tcompared\tbias\tmedian\tp95\tmedian u95\tu95 %\tworst\t")
	for _, c := range g.Columns {
		fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%d\t%d\t%s\t%s\t%s\t%s\t%s\t%s\t\n", c.Name, c.Unit, c.Truths, c.Values, c.Extra, c.N,
			number(c.Bias, c.Digits+1), number(c.Median, c.Digits+1), number(c.P95, c.Digits+1),
			number(c.U95, c.Digits+1), number(100*c.Covered, 1), c.Worst)
	}
	t.Flush()
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
	rows := [][]string{{"group", "column", "unit", "truths", "values", "extra", "compared", "bias", "median_abs_error", "p95_abs_error", "median_u95", "u95_coverage", "worst"}}
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
				cell(col.P95, col.Digits+1), cell(col.U95, col.Digits+1), cell(col.Covered, 3), col.Worst})
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

// MarshalJSON writes null where there is no number.
func (c Column) MarshalJSON() ([]byte, error) {
	some := func(x float64) *float64 {
		if !finite(x) {
			return nil
		}
		return &x
	}
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
		Worst    string   `json:"worst,omitempty"`
	}{c.Name, c.Unit, c.Truths, c.Values, c.Extra, c.N, some(c.Bias), some(c.Median), some(c.P95), some(c.U95), some(c.Covered), c.Worst})
}
