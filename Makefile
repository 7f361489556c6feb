# Every target installs what is missing: Debian packages by apt, as root or
# through sudo. Go itself must be there.
SHELL := /bin/bash
SUDO := $(shell [ "$$(id -u)" = 0 ] || echo sudo)
VERSION := $(shell git describe --always --dirty --tags 2>/dev/null || echo development)
# Of OpenCV only what is used is linked: its other modules bring a hundred libraries more, which
# every start would load. The tag leaves the choice to these variables; without it all is linked.
SECTIONS := -O2 -g -ffunction-sections -fdata-sections
LEAN := CGO_CFLAGS="$(SECTIONS)" CGO_CXXFLAGS="$(SECTIONS) --std=c++11 $$(pkg-config --cflags opencv4)" \
	CGO_LDFLAGS="-lopencv_imgcodecs -lopencv_imgproc -lopencv_core"
GOBUILD := $(LEAN) go build -tags customenv -buildvcs=false -trimpath \
	-ldflags '-extldflags "-Wl,--gc-sections -Wl,--no-export-dynamic" -X penarm/verify/archive.Version=$(VERSION)'
STATICCHECK := honnef.co/go/tools/cmd/staticcheck@v0.8.2

# The go tool leaves folders called testdata out of ./...
PACKAGES := ./... $(addprefix ./,$(sort $(dir $(wildcard testdata/*/*.go))))

.PHONY: build test demo lint bench fuzz deps
.DEFAULT_GOAL := build

build: deps
	$(GOBUILD) -o bin/penarm ./cmd/penarm

test: deps
	go vet $(PACKAGES)
	@unformatted=$$(gofmt -l $$(git ls-files -co --exclude-standard '*.go')); \
	if [ -n "$$unformatted" ]; then echo "gofmt these:"; echo "$$unformatted"; exit 1; fi
	go test -buildvcs=false $(PACKAGES)

# Charts of an invented dairy, of all three verdicts: so the run itself ends with 1.
demo: build
	@bin/penarm check --plant testdata/plant/plant.yaml --out OUT/demo testdata/plant/scans/*.jpg; \
	status=$$?; [ $$status -le 2 ] || exit $$status
	@echo
	@echo "Open the pages to sign and the scans with the reading drawn on them:"
	@ls OUT/demo/*/report.pdf OUT/demo/*/overlay.jpg

lint: deps
	go vet $(PACKAGES)
	go run $(STATICCHECK) $(PACKAGES)

bench: deps
	go test -buildvcs=false -run '^$$' -bench . -benchmem $(PACKAGES)

# Each fuzzer for so long; an input that it fails on stays in that package's testdata/fuzz, as a test. What is new is made
# smaller by a few tries only: on the rows of a YAML file all of the time would go into that.
FUZZTIME := 60s
fuzz: deps
	@set -e; for file in $$(git grep -l '^func Fuzz' -- '*_test.go'); do \
		for fuzzer in $$(sed -n 's/^func \(Fuzz[A-Za-z]*\)(.*/\1/p' $$file); do \
			echo "$$fuzzer of $$(dirname $$file), $(FUZZTIME):"; \
			go test -buildvcs=false -run '^$$' -fuzz "^$$fuzzer\$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 50x ./$$(dirname $$file); \
		done; \
	done

deps:
	@command -v go >/dev/null || { echo "Go is needed: https://go.dev/dl"; exit 1; }
	@{ pkg-config --exists opencv4 && command -v g++; } >/dev/null 2>&1 || \
	{ $(SUDO) apt-get update && $(SUDO) apt-get install -y --no-install-recommends libopencv-dev pkg-config g++; }
