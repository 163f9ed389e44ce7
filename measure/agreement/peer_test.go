package agreement

import (
	"encoding/json"
	"os/exec"
	"strings"
	"testing"
)

// peer runs a script of general statistics software and returns the numbers
// that it prints as a JSON array; it skips where the software is not installed.
func peer(t *testing.T, name, flag, load, script string) []float64 {
	t.Helper()
	program, err := exec.LookPath(name)
	if err != nil {
		t.Skipf("%s is not installed", name)
	}
	if exec.Command(program, flag, load).Run() != nil {
		t.Skipf("%s does not have what %q wants", name, load)
	}
	out, err := exec.Command(program, flag, load+"\n"+script).Output()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	var v []float64
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &v); err != nil {
		t.Fatalf("%s printed %q: %v", name, out, err)
	}
	return v
}

// printR prints a vector as JSON.
const printR = `; cat("\n[", paste(formatC(v, digits=12, format="g"), collapse=","), "]\n", sep="")`

func compare(t *testing.T, got, want []float64, within float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d numbers, the peer gives %d", len(got), len(want))
	}
	for i := range got {
		near(t, "number "+string(rune('a'+i)), got[i], want[i], within)
	}
}

var judges = [][]float64{{9, 2, 5, 8}, {6, 1, 3, 2}, {8, 4, 6, 8}, {7, 1, 2, 6}, {10, 5, 6, 9}, {6, 2, 4, 7}}

func TestIntraClassAsPsych(t *testing.T) {
	want := peer(t, "Rscript", "-e", "suppressMessages(library(psych))",
		`m <- matrix(c(9,2,5,8,6,1,3,2,8,4,6,8,7,1,2,6,10,5,6,9,6,2,4,7), 6, byrow=TRUE)
r <- ICC(m, lmer=FALSE)$results; v <- c(r$ICC, r$"lower bound", r$"upper bound")`+printR)
	r := must(IntraClass(judges))(t)
	var x, low, high []float64
	for _, c := range [][3]Coefficient{r.Single, r.Average} {
		for _, one := range c {
			x, low, high = append(x, one.X), append(low, one.CI.Low), append(high, one.CI.High)
		}
	}
	compare(t, append(append(x, low...), high...), want, 1e-6)
}

const peakFlowR = `x <- c(494,395,516,434,476,557,413,442,650,433,417,656,267,478,178,423,427)
y <- c(512,430,520,428,500,600,364,380,658,445,432,626,260,477,259,350,451)
`

func TestConcordanceAsEpiR(t *testing.T) {
	want := peer(t, "Rscript", "-e", "suppressMessages(library(epiR))",
		peakFlowR+`r <- epi.ccc(x, y, ci="z-transform", conf.level=0.95)$rho.c; v <- c(r$est, r$lower, r$upper)`+printR)
	c := must(Concordance(wright1, mini1))(t)
	compare(t, []float64{c.X, c.CI.Low, c.CI.High}, want, 1e-4)
}

func TestKappaAsVCD(t *testing.T) {
	want := peer(t, "Rscript", "-e", "suppressMessages(library(vcd))",
		`m <- matrix(c(21,12,0,0,4,17,1,0,3,9,15,2,0,0,0,1), 4, byrow=TRUE)
k <- Kappa(m, weights="Fleiss-Cohen"); i <- confint(k)
v <- c(k$Unweighted[1], i[1,1], i[1,2], k$Weighted[1], i[2,1], i[2,2])`+printR)
	table := [][]int{{21, 12, 0, 0}, {4, 17, 1, 0}, {3, 9, 15, 2}, {0, 0, 0, 1}}
	plain, quadratic := must(Kappa(table, Plain))(t), must(Kappa(table, Quadratic))(t)
	compare(t, []float64{plain.X, plain.CI.Low, plain.CI.High, quadratic.X, quadratic.CI.Low, quadratic.CI.High}, want, 1e-6)
}

func TestAreaAsPROC(t *testing.T) {
	want := peer(t, "Rscript", "-e", "suppressMessages(library(pROC))",
		`s <- c(rep(1:5, c(33,6,6,11,2)), rep(1:5, c(3,2,2,11,33))); g <- rep(0:1, c(58,51))
r <- roc(g, s, quiet=TRUE, direction="<"); i <- ci.auc(r, method="delong"); v <- c(auc(r), i[1], i[3])`+printR)
	score, positive := ratings()
	c := must(Area(score, positive))(t)
	compare(t, []float64{c.Area, c.CI.Low, c.CI.High}, want, 1e-9)
}

func TestWilsonAndKappaAsStatsmodels(t *testing.T) {
	want := peer(t, "/usr/bin/python3", "-c", "import statsmodels.stats.proportion as p, statsmodels.stats.inter_rater as k",
		`r = k.cohens_kappa([[21,12,0,0],[4,17,1,0],[3,9,15,2],[0,0,0,1]], wt="linear")
print([*p.proportion_confint(81, 263, method="wilson"), *p.proportion_confint(0, 20, method="wilson"), r.kappa, r.kappa_low, r.kappa_upp])`)
	a, b := must(Wilson(81, 263))(t), must(Wilson(0, 20))(t)
	k := must(Kappa([][]int{{21, 12, 0, 0}, {4, 17, 1, 0}, {3, 9, 15, 2}, {0, 0, 0, 1}}, Linear))(t)
	compare(t, []float64{a.CI.Low, a.CI.High, b.CI.Low, b.CI.High, k.X, k.CI.Low, k.CI.High}, want, 1e-9)
}
