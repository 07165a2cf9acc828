# Tawsight. `make demo` measures the sample photos; `make test` checks everything.
# Both install first what this machine lacks (scripts/setup.sh).

SHELL := /bin/sh
# OpenCV and Go's threads together make glibc keep an arena a thread; two are
# as fast and take far less memory.
export MALLOC_ARENA_MAX := 2
GO := . scripts/lean-link.sh && go

.PHONY: all demo build test card samples accuracy bench docs leaks mangle fuzz deb setup clean

all: build

demo: build
	@status=0; \
	bin/tawsight measure samples/photos/tray samples/photos/poor \
		--references samples/photos/references --out out/demo || status=$$?; \
	if [ $$status -eq 3 ]; then \
		echo "(Some of the poor samples cannot be read. That is what they are for: the report says why.)"; \
	elif [ $$status -ne 0 ]; then \
		exit $$status; \
	fi; \
	echo "Open this in a browser: $(CURDIR)/out/demo/report.html"

build: setup
	@mkdir -p bin
	$(GO) build -o bin/tawsight ./cmd/tawsight

test: setup
	$(GO) vet ./...
	$(GO) test -timeout 8m ./...

# The card to print, into out/card.
card: build
	bin/tawsight card --out out/card

# Renders the sample photos again, which takes long and needs POV-Ray. Neither
# the demo nor the tests need it.
samples: setup
	$(GO) run ./samples/generate

# Scores the sample photos against what is known of them and prints one table.
accuracy: setup
	$(GO) run ./cmd/accuracy

# Prints what measuring costs beside what it may cost, in one table; wants Debian's
# python3-skimage, python3-sklearn and python3-opencv to compare with. With
# BENCH=-long it runs 2,000 photos, which takes a quarter of an hour more.
bench: build
	$(GO) build -o bin/bench ./bench
	bin/bench $(BENCH)

# Writes docs/features.md from the registry of features, and the schema of an
# exported collection from the list of its tables.
docs: setup
	$(GO) test -run TestFeaturesPageIsUpToDate ./cmd/tawsight -update
	$(GO) test -run TestSchemaIsUpToDate ./internal/collection -update

# Counts OpenCV's matrices that are made and never closed. Slower than the
# tests, hence apart from them.
leaks: setup
	$(GO) test -tags matprofile -run TestNoMatrixIsLeftOpen ./vision

# Damages photos 10,000 times and has them checked and measured: counts what came
# of it. The tests do a short run of it.
mangle: setup
	$(GO) run ./cmd/mangle -n 10000 -keep out/mangle

# Fuzzes every target for about a minute. The first time, OpenCV's binding is compiled anew
# for it, which takes minutes; so is SQLite where Debian's libsqlite3-dev is missing.
fuzz: setup
	scripts/fuzz.sh 60

# A package for the Debian or Ubuntu release of this machine, into out.
deb: build
	scripts/deb.sh

setup:
	@scripts/setup.sh

clean:
	rm -rf bin out
