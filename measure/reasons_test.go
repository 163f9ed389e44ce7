package measure

import (
	"go/ast"
	"go/parser"
	"go/token"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// declaredReasons reads every constant of type Reason from the package's
// source file.
func declaredReasons(t *testing.T) []string {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), "reason.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var codes []string
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if id, ok := spec.Type.(*ast.Ident); !ok || id.Name != "Reason" {
			return true
		}
		for _, v := range spec.Values {
			code, err := strconv.Unquote(v.(*ast.BasicLit).Value)
			if err != nil {
				t.Fatal(err)
			}
			codes = append(codes, code)
		}
		return true
	})
	return codes
}

func TestEveryReasonHasItsSentence(t *testing.T) {
	codes := declaredReasons(t)
	if len(codes) < 20 {
		t.Fatalf("found %d codes in reason.go, expected all of them", len(codes))
	}
	sentence := map[string]string{}
	said := map[string]bool{}
	for _, r := range Reasons {
		code := string(r.Code)
		if _, twice := sentence[code]; twice {
			t.Errorf("%s explained twice", code)
		}
		sentence[code] = r.Sentence
		if said[r.Sentence] {
			t.Errorf("%s: sentence used twice", code)
		}
		said[r.Sentence] = true
		if len(r.Sentence) < 20 || !strings.HasSuffix(r.Sentence, ".") {
			t.Errorf("%s: %q is no sentence", code, r.Sentence)
		}
	}
	declared := map[string]bool{}
	for _, code := range codes {
		if declared[code] {
			t.Errorf("code %s declared twice", code)
		}
		declared[code] = true
		if _, ok := sentence[code]; !ok {
			t.Errorf("code %s has no sentence", code)
		}
		if strings.Trim(code, "abcdefghijklmnopqrstuvwxyz_") != "" {
			t.Errorf("code %q is not lower case with underscores", code)
		}
	}
	for code := range sentence {
		if !declared[code] {
			t.Errorf("sentence for %s, which reason.go does not declare", code)
		}
	}
}

// What a row gives in spite of a reason is not said to be empty for it: neither
// conflicts of scale and side nor a marker that was not found leave a cell empty by
// themselves (the contract: "a conflict is a reason, not a choice").
func TestWhyEmptyNamesOnlyWhatLeavesEmpty(t *testing.T) {
	r := Record{View: AP, Reasons: []Reason{ScaleConflict, MarkerNotFound, SideConflict, HeadNotFound}}
	for _, q := range []Quantity{NeckShaftAngle, HeadDiameter} {
		if got := r.WhyEmpty(q); !slices.Equal(got, []Reason{HeadNotFound}) {
			t.Errorf("%s: %v", q, got)
		}
	}
}
