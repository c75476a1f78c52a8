# Targets for people and for .ci/run. `make help` lists them.
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
.PHONY: help build test race check needs fuzz vet screens cross bench sim crash models hostile damage disk clock long week heat writes year big shapes clean \
	lane-static lane-test lane-deploy lane-plain lane-packages format staticcheck deb release

GO ?= go
# The standard library of an older Go has weaknesses that the program reaches. Go fetches
# this one where it is not there; offline: make GOTOOLCHAIN=local ..., but for a release.
export GOTOOLCHAIN := $(shell sed -n 's/^toolchain //p' go.mod)+auto
VERSION ?= $(shell git describe --tags --always --dirty 2>/dev/null || echo unversioned)

STATICCHECK_VERSION := v0.8.2
TOOLS := build/tools
STATICCHECK := $(TOOLS)/staticcheck-$(STATICCHECK_VERSION)/staticcheck
# What could not be checked is noted here, and said at the end.
SKIPPED := build/skipped

# Only a hang reaches it, on a slow and busy computer too.
TIMEOUT ?= 1h
FUZZTIME ?= 10s
SEEDS ?= 2000
N ?= 50
LOTS ?= 10000
BENCHTIME ?= 1s

help: ## list the targets
	@sed -n 's/^\([a-z-]*\):.*## /\1\t/p' Makefile | expand -t 12

build: ## build/beltwarden for this computer
	@GO=$(GO) .ci/build $(VERSION) build/beltwarden

# Many tests wait most of the time: more of them run side by side than there are processors.
SIDE := -parallel=6

# What takes longest begins first, and the collector of garbage runs a quarter as often.
test: ## all tests, long ones in short form, those of unchanged packages not again
	GOGC=400 $(GO) test -short -timeout=$(TIMEOUT) -p=4 $(SIDE) ./supervisor ./daemon ./daemon/app ./supervisor/ledger ./...

race: ## all tests with the race detector, in random order (PACKAGES=... for some)
	.ci/race -timeout=$(TIMEOUT) $(SIDE) $(or $(PACKAGES),./...)

vet: ## go vet for 64-bit and for 32-bit
	GOARCH=amd64 CGO_ENABLED=0 $(GO) vet ./...
	GOARCH=arm CGO_ENABLED=0 $(GO) vet ./...

format:
	@wrong=$$(gofmt -l $$(find . -name '*.go' -not -path './build/*')); \
	if [ -n "$$wrong" ]; then echo "not formatted, run gofmt -w:"; echo "$$wrong"; exit 1; fi

staticcheck:
	@.ci/staticcheck $(STATICCHECK_VERSION) $(STATICCHECK) $(SKIPPED)

# Two lanes for two cores. Both run to their end, so that one run tells everything.
check: ## everything a change must pass, with what the tests need installed first
	@mkdir -p build && : > $(SKIPPED)
	@.ci/needs $(TOOLS) $(SKIPPED)
	@begin=$$SECONDS; result=0; \
	$(MAKE) --no-print-directory --keep-going --jobs=2 --output-sync=target lane-static lane-test || result=1; \
	echo; if [ -s $(SKIPPED) ]; then echo "NOT CHECKED here:"; sed 's/^/  - /' $(SKIPPED); fi; \
	if [ $$result = 0 ]; then echo "check: passed in $$((SECONDS - begin)) s"; \
	else echo "check: FAILED after $$((SECONDS - begin)) s, see above"; fi; exit $$result

needs: ## install what the tests need, or name what is missing
	@mkdir -p build && : > $(SKIPPED) && .ci/needs $(TOOLS) $(SKIPPED) && cat $(SKIPPED)

lane-static:
	@$(MAKE) --no-print-directory --keep-going format vet staticcheck lane-plain lane-deploy lane-packages

lane-test:
	@SKIPPED=$(CURDIR)/$(SKIPPED) .ci/race -timeout=$(TIMEOUT) -vet=off -p=3 $(SIDE) $$(.ci/alone not)

screens: ## pictures of every page and step, in build/screens, for a person to look at
	BELTWARDEN_SCREENS=1 $(GO) test -count=1 -timeout=$(TIMEOUT) $(SIDE) ./daemon/browser

hostile: ## attacks on the daemon, every route that changes something, and how many got through
	@GO=$(GO) .ci/hostile

# The race detector leaves time for few seeds, kills and hours of a machine: here are all of them, the packages where
# it has nothing to find, and the attacks.
lane-plain:
	@GO=$(GO) .ci/plain -timeout=$(TIMEOUT) -p 1 $(SIDE)

lane-deploy:
	@.ci/deploy $(TOOLS) $(SKIPPED)

lane-packages:
	@.ci/package-check $(TOOLS) $(SKIPPED)

deb: ## Debian packages for amd64, arm64 and armhf in build/packages
	@.ci/package $(VERSION) $(TOOLS) build/packages

release: ## packages, checksums, what is in them (SBOM), known weaknesses, sizes
	@.ci/release $(VERSION) $(TOOLS) build/packages

shapes: ## shapes of sliced files, accepted and refused, FILES=10000 drawn ones, and each shape made
	@$(GO) test -count=1 -v -run '^TestShapes$$' ./supervisor/job
	@BELTWARDEN_SLICED=$(or $(FILES),10000) $(GO) test -count=1 -timeout=$(TIMEOUT) -v -run '^TestSlicedSeeds$$' ./supervisor/job
	@BELTWARDEN_SHAPES=all $(GO) test -count=1 -timeout=$(TIMEOUT) -run '^TestShapesOnTheRig$$' ./supervisor

fuzz: ## each fuzz target for FUZZTIME=10s
	@found=0; \
	while IFS=: read -r file name; do found=1; \
		echo "== $$name in $$(dirname $$file)"; \
		$(GO) test -run='^$$' -fuzz="^$$name\$$" -fuzztime=$(FUZZTIME) "./$$(dirname $$file)"; \
	done < <(grep -roE --include='*_test.go' '^func Fuzz[A-Za-z0-9_]+' . | sed 's/func //' | sort); \
	if [ $$found = 0 ]; then echo "no fuzz target found"; exit 1; fi

bench: ## the tables of inspection, the wire, what a line costs, urgent words; then all benchmarks
	@BELTWARDEN_BENCH=1 $(GO) test -count=1 -v -run='^TestSpeedTable$$' ./supervisor/job
	@BELTWARDEN_BENCH=1 $(GO) test -count=1 -v -run='^TestWireTable$$' ./serialio/rig
	@$(GO) test -count=1 -v -run='^TestRealWireTable$$' ./supervisor
	@BELTWARDEN_BENCH=1 $(GO) test -count=1 -v -run='^TestLoadOfStreams$$' ./daemon
	@$(GO) test -count=1 -run='^$$' -bench='^BenchmarkHostCost$$/window=/speed=0' -benchtime=300000x ./supervisor
	@$(GO) test -count=1 -run='^$$' -bench='^BenchmarkHostCost$$/window=/speed=1' -benchtime=20000x ./supervisor
	@BELTWARDEN_BENCH=1 $(GO) test -count=1 -v -run='^TestUrgentLatency$$' ./supervisor
	$(GO) test -run='^$$' -bench=. -benchmem -benchtime=$(BENCHTIME) ./...

sim: ## the seeded campaigns (TestSeeds...), SEEDS=2000 of them
	@BELTWARDEN_SEEDS=$(SEEDS) .ci/campaign TestSeeds

crash: ## the campaigns with killed processes (TestKill...), N=50 of them each
	@BELTWARDEN_KILLS=$(N) .ci/campaign TestKill

models: ## what is printed with a certainty and how often it is true, over LOTS=10000 simulated lots
	@BELTWARDEN_LOTS=$(LOTS) $(GO) test -count=1 -v -run '^TestPromises$$' ./supervisor
	@BELTWARDEN_LOTS=$(LOTS) $(GO) test -count=1 -v -run '^TestCalibration$$' ./supervisor/belt
	@BELTWARDEN_LOTS=$(LOTS) $(GO) test -count=1 -v -run '^TestVisitTimes$$' ./supervisor/pace

damage: ## ledgers damaged at random places, N of them, and as many power cuts in a commit
	@BELTWARDEN_DAMAGES=$(N) BELTWARDEN_CUTS=$(N) $(GO) test -count=1 -timeout=0 -v -run '^(TestDamageAtRandom|TestPowerCut)$$' ./supervisor/ledger

disk: ## every file operation of the ledger failing in turn, in each way; and N lots on a disk that fails, of each kind
	@BELTWARDEN_FAULTS=all $(GO) test -count=1 -timeout=0 -v -run '^TestDiskFaults$$' ./supervisor/ledger
	@BELTWARDEN_DISKS=$(N) $(GO) test -count=1 -timeout=0 -v -run '^TestLotOnABadDisk$$' ./supervisor

clock: ## N lots while the clock is set by years, by hours, and not at boot
	@BELTWARDEN_CLOCKS=$(N) $(GO) test -count=1 -timeout=0 -v -run '^TestClockSetBackAndForth$$' ./daemon/app

long: ## a lot of PARTS=10000 parts in virtual time
	@BELTWARDEN_PARTS=$(or $(PARTS),10000) $(GO) test -count=1 -timeout=0 -v -run '^TestLongLot$$' ./supervisor

week: ## the whole daemon through DAYS=7 days of virtual time
	@BELTWARDEN_DAYS=$(or $(DAYS),7) $(GO) test -count=1 -timeout=0 -v -run '^TestWeek$$' ./daemon/app

heat: ## every fault of heat, with restarts and kills: RUNS=10000 from seed FIRST=1
	@BELTWARDEN_HEAT=$(or $(RUNS),10000) BELTWARDEN_HEAT_SEED=$(or $(FIRST),1) $(GO) test -count=1 -timeout=0 -v -run '^TestHeat$$' ./daemon/alert

writes: ## what the daemon writes to the disk and has synced, counted by strace
	@BELTWARDEN_WRITES=1 $(GO) test -count=1 -v -run '^TestWrites$$' ./daemon/app

year: ## a ledger of a year of heavy use: its size, and what removing what is old costs
	@BELTWARDEN_YEAR=1 $(GO) test -count=1 -timeout=0 -v -run '^TestYear$$' ./supervisor/ledger

big: ## the memory of the daemon over a job of 1 GB
	@BELTWARDEN_BIG=1 .ci/campaign TestBigJob

cross: ## build/beltwarden-linux-* for the small boards
	@GO=$(GO) .ci/build $(VERSION) build/beltwarden-linux-arm64 arm64
	@GO=$(GO) .ci/build $(VERSION) build/beltwarden-linux-armv6 arm 6
	@GO=$(GO) .ci/build $(VERSION) build/beltwarden-linux-armv7 arm 7

clean: ## remove what was built
	rm -rf build
