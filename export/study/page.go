package study

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"shaftgauge/export/chart"
	"shaftgauge/measure/agreement"
)

//go:embed page.html
var pageHTML string

var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"coefficient": func(c *agreement.Coefficient) string {
		if c == nil {
			return "–"
		}
		return fmt.Sprintf("%.3f (%.3f\u00a0to\u00a0%.3f)", c.X, c.CI.Low, c.CI.High)
	},
	"interval": func(digits int, x float64, ci agreement.Interval) string {
		return fmt.Sprintf("%.*f (%.*f\u00a0to\u00a0%.*f)", digits, x, digits, ci.Low, digits, ci.High)
	},
	"number": func(digits int, x float64) string { return fmt.Sprintf("%.*f", digits, x) },
	"proportion": func(p *agreement.Proportion) string {
		if p == nil {
			return "–"
		}
		return fmt.Sprintf("%d of %d: %.3f (%.3f\u00a0to\u00a0%.3f)", p.X, p.N, p.P, p.CI.Low, p.CI.High)
	},
	"pointer": func(c agreement.Coefficient) *agreement.Coefficient { return &c },
	"differences": func(q Quantity, c Comparison) (template.HTML, error) {
		if c.Limits == nil {
			return "", nil
		}
		return chart.Differences(fmt.Sprintf("%s: %s less %s", q.Column.Name, c.First, c.Second), q.Column.Unit, c.X, c.Y, *c.Limits)
	},
	"operating": func(f Finding, g Grading) (template.HTML, error) {
		if g.Curve == nil {
			return "", nil
		}
		return chart.Operating(fmt.Sprintf("%s: review order against %s", f.Name, g.Second), *g.Curve)
	},
	"load": func(f Finding, g Grading) (template.HTML, error) {
		if len(g.Load) == 0 {
			return "", nil
		}
		return chart.Load(fmt.Sprintf("%s: findings of %s met along the review order", f.Name, g.Second), g.Load)
	},
	"cuts": cuts,
}).Parse(pageHTML))

// cuts returns the lines of the operating table where another finding is met,
// at most mostCuts of them, the last always.
func cuts(table []agreement.Load) []agreement.Load {
	const mostCuts = 25
	var met []agreement.Load
	for i, l := range table {
		if i > 0 && l.Caught > table[i-1].Caught || i == len(table)-1 {
			met = append(met, l)
		}
	}
	if len(met) <= mostCuts {
		return met
	}
	out := make([]agreement.Load, mostCuts)
	for i := range out {
		out[i] = met[i*(len(met)-1)/(mostCuts-1)]
	}
	return out
}

// WriteHTML writes r as one self-contained page.
func WriteHTML(w io.Writer, r *Report, version string) error {
	err := page.Execute(w, struct {
		*Report
		Version string
	}{r, version})
	if err != nil {
		return fmt.Errorf("study: page: %w", err)
	}
	return nil
}
