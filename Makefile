# shaftgauge. The front command is built without cgo; only filmworker links C.

SHELL    := /bin/bash
GO       ?= go
FUZZTIME ?= 60s
# No version stamp where git does not answer for this folder (another owner, no git).
STAMP    := -buildvcs=$(shell git status >/dev/null 2>&1 && echo true || echo false)
ACCURACY_FILMS ?= 480
# A folder of femur surfaces (binary STL) to draw some of the films with; none.
ACCURACY_MESHES ?=

.PHONY: all build demo test bench accuracy fuzz clean packages test-packages

all: build

# Debian packages for building and for testing; does nothing when they are there.
packages:
	@.ci/packages build
test-packages:
	@.ci/packages test

build: packages
	CGO_ENABLED=0 $(GO) build $(STAMP) -o bin/shaftgauge ./cmd/shaftgauge
	CGO_ENABLED=1 $(GO) build $(STAMP) -o bin/filmworker ./cmd/filmworker

# Films of the invented Harrow Vale fracture service, measured. Exit code 3 says
# that some films have no measurement, as in any archive.
demo: build
	rm -rf demo
	bin/shaftgauge simulate -o demo/films --films 32 --seed 7
	@printf 'not a secret, it is a demo' > demo/key
	bin/shaftgauge measure demo/films -o demo/out --key-file demo/key --nails testdata/demo/nails.csv || [ $$? -eq 3 ]
	@echo
	@echo "Rows, one a femur:   demo/out/measurements.csv"
	@echo "Thickenings:         demo/out/focal.csv"
	@echo "Both legs, and time: demo/out/pairs.csv"
	@echo "Nails of a list:     demo/out/nails.csv"
	@echo "Pictures to review:  demo/out/overlays/"
	@echo "The run at a glance: demo/out/report.html"
	@echo "What was done:       demo/out/run.json"
	@echo "The exact truth:     demo/films/truth.json"
	@echo "To review the films: bin/shaftgauge review demo/out"

# Everything. About six minutes on two cores.
test: test-packages
	@unformatted=$$(gofmt -l cmd detect export measure pipeline); \
	if [ -n "$$unformatted" ]; then echo "gofmt these files:"; echo "$$unformatted"; exit 1; fi
	$(GO) vet ./...
	$(GO) test -timeout 30m $$($(GO) list ./... | grep -v '/detect$$')
	$(GO) test -timeout 30m -tags matprofile ./detect # which counts the Mats left open, too

# All benchmarks, then the figures that have a limit against it. About three
# minutes; other programs on the machine spoil the throughput of two workers.
bench: test-packages
	@mkdir -p bin
	$(GO) test -run '^$$' -bench . -benchmem ./... | tee bin/bench.txt; exit $${PIPESTATUS[0]}
	@awk -f .ci/bench.awk bin/bench.txt

# How far measured rows are from the truth of films that no part was tuned on.
# The table is kept in the repository, so that a change shows.
accuracy: build
	@mkdir -p testdata/accuracy
	bin/shaftgauge verify --films $(ACCURACY_FILMS) --seed 2026 --unseen $(addprefix --meshes ,$(ACCURACY_MESHES)) \
		--csv testdata/accuracy/table.csv | tee testdata/accuracy/table.txt; exit $${PIPESTATUS[0]}

# Every fuzz target for FUZZTIME.
fuzz: packages
	@set -e; for dir in $$(grep -rl --include='*_test.go' '^func Fuzz' . | xargs -n1 dirname | sort -u); do \
		for target in $$(grep -ho '^func Fuzz[A-Za-z0-9_]*' $$dir/*_test.go | cut -d' ' -f2); do \
			echo "$$dir $$target"; \
			$(GO) test -run '^$$' -fuzz "^$$target\$$" -fuzztime $(FUZZTIME) $$dir; \
		done; \
	done

clean:
	rm -rf bin demo
