# Two commands do everything on a fresh machine: `make demo` and `make test`.
# `make help` lists the rest.
GO ?= go
BUILD := build
PROGRAMS := ./cmd/joltwatch ./cmd/joltbench ./cmd/joltship ./cmd/joltshop ./cmd/develop/joltsim
LDFLAGS := -s -w

.PHONY: help
help: ## this list
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed 's/:.*## /\t/' | expand -t 14

.PHONY: build
build: ## the programs, for this machine, in build/
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags '$(LDFLAGS)' -o $(BUILD)/ $(PROGRAMS)

.PHONY: demo
demo: build ## the main job on the embedded drive, and its review
	rm -rf $(BUILD)/demo-store
	$(BUILD)/joltwatch run --vehicle testdata/van/vehicle.toml --from testdata/van/drive.log.zst --store $(BUILD)/demo-store
	$(BUILD)/joltbench summary $(BUILD)/demo-store
	$(BUILD)/joltbench events $(BUILD)/demo-store
	$(BUILD)/joltbench report $(BUILD)/demo-store -o $(BUILD)/demo.html

.PHONY: screens
screens: demo ## the pictures of README.md, from the demonstration (needs Chromium)
	$(GO) run ./cmd/develop/screens $(BUILD) $(BUILD)/demo-store testdata/screens

.PHONY: engine
engine: ## joltshop with the SQL engine that its report needs, as build/joltshop-engine (needs a C++ compiler)
	CGO_ENABLED=1 $(GO) build -tags engine -trimpath -ldflags '$(LDFLAGS)' -o $(BUILD)/joltshop-engine ./cmd/joltshop

.PHONY: shop-demo
shop-demo: engine ## a shop with twenty invented vans, and its page
	rm -rf $(BUILD)/shop
	$(GO) run ./cmd/develop/fleet/demo $(BUILD)/shop
	$(BUILD)/joltshop-engine report $(BUILD)/shop -o $(BUILD)/shop.html --note "Invented vans: a demonstration."

.PHONY: test
test: ## every test that needs only Go (others say what they lack and skip)
	$(GO) vet ./...
	$(GO) test ./...

.PHONY: cross
cross: ## static builds for the three kinds of board
	@set -e; for t in amd64 arm64 arm/6; do \
	  arch=$${t%%/*}; out=$(BUILD)/linux-$$(echo $$t | tr -d /); mkdir -p $$out; \
	  echo "build linux/$$t"; \
	  GOOS=linux GOARCH=$$arch GOARM=6 CGO_ENABLED=0 $(GO) build -trimpath -ldflags '$(LDFLAGS)' -o $$out/ $(PROGRAMS); \
	done

.PHONY: score
score: build ## the detectors against known truth: what causes were told, table, aims, and how far thresholds may move
	@status=0; $(BUILD)/joltsim causes $(if $(KNOWN),--known $(dir $(KNOWN))causes.tsv) || status=$$?; \
	$(BUILD)/joltsim score --hours $(or $(HOURS),300) $(if $(KNOWN),--known $(KNOWN),$(if $(QUICK),,--sensitivity)) || status=$$?; exit $$status

.PHONY: soak
soak: ## a simulated week in a car, with power cuts and a card that fails (HOURS=40)
	$(GO) test ./cmd/joltwatch -count=1 -timeout 2h -run '^TestSoak$$' -v -soak.hours $(or $(HOURS),40)

.PHONY: sizes
sizes: ## bytes a sample, beside other encoders, on the truck recording and the embedded drive
	$(GO) test ./storage -count=1 -run '^TestSizes$$' -v

.PHONY: powercut
powercut: ## cuts the power of an emulated machine N times while it records (N=200)
	$(GO) run ./cmd/develop/powercut -n $(or $(N),200)

.PHONY: vmtest
vmtest: ## sockets, serial driver and requests against a real CAN kernel, emulated
	.ci/vm/build
	.ci/vm/test

.PHONY: load
load: ## two saturated buses for minutes, on a pipe and in the emulated machine (SECONDS=120)
	$(GO) test ./cmd/joltwatch -count=1 -run '^TestPipeLoad$$' -v -load.seconds $(or $(SECONDS),120)
	.ci/vm/test -test.run '^TestVMSocketLoad$$' -load $(or $(SECONDS),120)

.PHONY: findscore
findscore: ## the signal search on scrambled layouts of known truth (SEEDS=100)
	$(GO) run ./cmd/develop/findscore -from $(or $(FROM),101) -seeds $(or $(SEEDS),100)

.PHONY: conditionscore
conditionscore: ## conditions and recipes against invented weeks of known cause, and four weeks from traffic on (WEEKS=40 SEED=900001)
	$(GO) run ./cmd/develop/conditionscore -weeks $(or $(WEEKS),40) -seed $(or $(SEED),900001)
	$(GO) test ./cmd/joltwatch -count=1 -timeout 1h -run '^TestWholeWeeks$$' -v -weeks 4

.PHONY: readyscore
readyscore: ## wrong vehicle files and logs, class by class: how many does check call ready (EVERY=1)
	$(GO) test ./cmd/joltwatch -count=1 -timeout 1h -run '^TestReady' -v -ready.every $(or $(EVERY),1)

.PHONY: shopscore
shopscore: ## the shop's lists against invented fleets that share weather, weeks and routes (FLEETS=200)
	$(GO) run ./cmd/develop/fleet/shopscore -fleets $(or $(FLEETS),200)

.PHONY: scale
scale: ## an invented fleet through the real courier, server and questions (VEHICLES=500 DAYS=30 COURIERS=20)
	$(GO) run -tags engine ./cmd/develop/fleet/scale -vehicles $(or $(VEHICLES),500) -days $(or $(DAYS),30) -couriers $(or $(COURIERS),20)

.PHONY: morning
morning: ## the busiest minutes of 10,000 invented vehicles, into two intakes and a store that counts (VANS=10000 SECONDS=30)
	$(GO) run ./cmd/develop/fleet/morning -vans $(or $(VANS),10000) -seconds $(or $(SECONDS),30)

.PHONY: year
year: ## the shop's questions over a year of invented vehicles, in sealed months (VEHICLES=1000 MONTHS=12), or its report through an S3 server (S3=PROGRAM)
	$(GO) run -tags engine ./cmd/develop/fleet/year -vehicles $(or $(VEHICLES),1000) -months $(or $(MONTHS),12) $(if $(S3),-s3 $(S3))

.PHONY: speed
speed: ## processor time and instructions a frame, beside the aims (needs qemu-user and gcc)
	$(GO) run ./cmd/develop/speed
