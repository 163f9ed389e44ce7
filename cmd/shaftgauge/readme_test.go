package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

func readme(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The README names every flag of every command, and no other; each command's own
// help is what it is held against.
func TestReadmeNamesTheFlags(t *testing.T) {
	text := readme(t)
	inHelp := regexp.MustCompile(`(?m)^  -([a-z-]+)`)
	known := map[string]bool{"help": true}
	for _, command := range []string{"measure", "review", "fill", "agree", "dicom", "simulate", "verify"} {
		var help bytes.Buffer
		if code := run([]string{command, "--help"}, &help, io.Discard); code != exitMeasured {
			t.Fatalf("%s --help: exit code %d", command, code)
		}
		if !strings.Contains(text, "shaftgauge "+command) {
			t.Errorf("%s is not in the README", command)
		}
		for _, m := range inHelp.FindAllStringSubmatch(help.String(), -1) {
			known[m[1]] = true
			// How films are simulated is said by the commands themselves.
			if command == "simulate" || command == "verify" {
				continue
			}
			if !regexp.MustCompile("[ `(]--?" + m[1] + "[ `,|\n]").MatchString(text) {
				t.Errorf("%s: flag %s is not in the README", command, m[1])
			}
		}
	}
	for _, m := range regexp.MustCompile("[ `]--([a-z][a-z-]+)").FindAllStringSubmatch(text, -1) {
		if !known[m[1]] {
			t.Errorf("the README names --%s, which no command knows", m[1])
		}
	}
}

// Headings and files that the README links to are there; a heading's address is
// made as the usual renderers of Markdown make it.
func TestReadmeLinks(t *testing.T) {
	text := readme(t)
	heading := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^#+ (.*)$`).FindAllStringSubmatch(text, -1) {
		address := regexp.MustCompile(`[^\p{L}\p{N} -]`).ReplaceAllString(strings.ToLower(m[1]), "")
		heading["#"+strings.ReplaceAll(address, " ", "-")] = true
	}
	links := regexp.MustCompile(`\]\(([^)]+)\)`).FindAllStringSubmatch(text, -1)
	if len(links) == 0 {
		t.Error("no links")
	}
	for _, m := range links {
		if strings.HasPrefix(m[1], "#") {
			if !heading[m[1]] {
				t.Errorf("no heading %s", m[1])
			}
		} else if _, err := os.Stat(filepath.Join("../..", m[1])); err != nil {
			t.Error(err)
		}
	}
}
