# Commonvat: what can be done here. `make` alone prints this list.

BUF    := go tool -modfile=tools/go.mod buf
LINT   := go tool -modfile=tools/go.mod golangci-lint
BIN    := bin
DATA   := data
LISTEN := 127.0.0.1:7730

PROGRAMS := services/commonvatd clients/commonvat clients/commonvat-demo
# Each module: its folder below plugins/, and the name of its program.
MODULES  := reading difference palette compare overdye mordant bathscale safety

PYTHON_SDK := plugins/sdk/python/commonvat_sdk
GENERATED  := proto/gen testdata/demo $(PYTHON_SDK)/contracts.binpb

# A static binary needs no C compiler and runs anywhere.
export CGO_ENABLED ?= 0

.DEFAULT_GOAL := help

.PHONY: help
help: ## print this list
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | awk -F ':.*## ' '{printf "  make %-18s %s\n", $$1, $$2}'

.PHONY: build
build: ## build the programs, the modules and the worked examples of modules into bin/
	@mkdir -p $(BIN)
	go build -trimpath -o $(BIN)/ $(addprefix ./,$(PROGRAMS))
	@# Several at once: each spends most of its time in the linker, which hardly uses a second processor.
	@printf '%s\n' $(foreach m,$(MODULES),plugins/$(m)/cmd/*) | xargs -P 4 -I{} sh -e -c 'to=$(BIN)/modules/$$(basename {}); mkdir -p $$to; \
		go build -trimpath -o $$to/ ./{}; cp {}/module.json $$to/'
	@for c in plugins/examples/*/; do n=$$(basename $$c); rm -rf $(BIN)/examples/$$n && mkdir -p $(BIN)/examples/$$n && \
		if [ -f $$c/main.go ]; then go build -trimpath -o $(BIN)/examples/$$n/ ./$$c && cp $$c/module.json $(BIN)/examples/$$n/; \
		else find $$c -maxdepth 1 -type f -exec cp {} $(BIN)/examples/$$n/ \; && mkdir $(BIN)/examples/$$n/commonvat_sdk && \
			cp $(PYTHON_SDK)/*.py $(PYTHON_SDK)/contracts.binpb $(BIN)/examples/$$n/commonvat_sdk/; fi || exit 1; \
	done

.PHONY: run
run: build ## start the core on loopback with the demo pool, until Ctrl-C
	@$(BIN)/commonvat-demo run --bin $(BIN) --data $(DATA) --listen $(LISTEN)

.PHONY: demo
demo: build ## the same in a temporary folder, once
	@folder=$$(mktemp -d) && trap 'rm -rf "$$folder"' EXIT && \
		$(BIN)/commonvat-demo run --bin $(BIN) --data $$folder --listen 127.0.0.1:0 --once

.PHONY: measured
measured: build ## take in the measured wool spectra from COMMONVAT_MEASURED_DIR and ask which mordant and exhaust bath is widest
	@test -n "$(COMMONVAT_MEASURED_DIR)" || { echo "set COMMONVAT_MEASURED_DIR to the folder of biodyes_lab.csv"; exit 2; }
	@folder=$$(mktemp -d) && trap 'rm -rf "$$folder"' EXIT && \
		$(BIN)/commonvat-demo measured --bin $(BIN) --data $$folder --listen 127.0.0.1:0 \
			--measured "$(COMMONVAT_MEASURED_DIR)" --mapping testdata/import/wool-spectra.mapping.yaml

.PHONY: test
test: ## run the tests; needs only Go
	go test -shuffle=on -timeout 20m $(TESTFLAGS) ./...

# The detector looks at Go's heap and variables, and passes over whatever lies elsewhere. SQLite is C translated to Go, and its memory is the operating
# system's: looking there finds nothing, and took half of the time of all tests with a store. What calls it, our code and the driver, is looked at.
RACE := -race $(patsubst %,-gcflags=modernc.org/%=-race=false,sqlite/lib libc memory)

# Of what services/e2e tries in programs, what is tried once more in a core that has the race detector.
RACED := ^(TestScenarios|TestWhatWasAcknowledgedIsThereOnce|TestPacksChangeWhilePlansAreMade|TestWatchTellsWhatHappens)$$

.PHONY: build-race
build-race: ## build the core with the race detector into bin/, as commonvatd-raced; needs a C compiler
	@mkdir -p $(BIN)
	CGO_ENABLED=1 go build $(RACE) -trimpath -o $(BIN)/commonvatd-raced ./services/commonvatd

.PHONY: race-flags
race-flags: ## print how go builds with the race detector here
	@echo '$(RACE)'

.PHONY: test-race
test-race: test-race-packages test-race-core ## run the tests with the race detector; needs a C compiler

.PHONY: test-race-packages
test-race-packages: ## of these, all that run in the tests' own process
	CGO_ENABLED=1 go test $(RACE) -shuffle=on -timeout 20m $(TESTFLAGS) $$(go list ./... | grep -v '/services/e2e$$')

.PHONY: test-race-core
test-race-core: ## of these, what is tried in a core that has the detector
	CGO_ENABLED=1 go test $(RACE) -shuffle=on -timeout 20m $(TESTFLAGS) -run '$(RACED)' ./services/e2e

.PHONY: crash
crash: ## kill the core under load, CYCLES=1000 times, and check each time what is left
	COMMONVAT_CRASH_CYCLES=$${CYCLES:-1000} go test -count=1 -timeout 12h -v -run '^TestKilledUnderLoad$$' ./services/e2e/crash

.PHONY: fuzz
fuzz: ## run each fuzz target for a while (FUZZTIME=10s)
	@.ci/fuzz

.PHONY: bench
bench: ## print the benchmarks; what counts are the ratios within one run
	@# The other packages would be linked for nothing.
	go test -vet=off -run '^$$' -bench . -benchtime $${BENCHTIME:-1s} $$(grep -rl --include='*_test.go' '^func Benchmark' . | xargs -n1 dirname | sort -u)

.PHONY: verify-statistics
verify-statistics: ## simulate sessions that share pots, RUNS=2000 each, and print how often a verdict is false, against its limits
	go run ./plugins/compare/verify -runs $${RUNS:-2000}

.PHONY: lint
lint: ## check the Go code and the .proto files
	$(BUF) lint
	$(LINT) run ./...

.PHONY: vulnerabilities
vulnerabilities: ## fail on known vulnerabilities that .ci/vulnerabilities.txt doesn't accept
	@.ci/vulnerabilities

.PHONY: breaking
breaking: ## fail when the .proto files break what the last release promised
	$(BUF) breaking --against proto/baseline.binpb

.PHONY: baseline
baseline: ## at a release: what the .proto files now promise becomes the baseline
	$(BUF) build -o proto/baseline.binpb

.PHONY: generate
generate: ## rewrite proto/gen and the Python SDK's contracts from the .proto files
	$(BUF) generate
	$(BUF) build --path proto/commonvat/module/describe/v1 --path proto/commonvat/module/palette/v2 --path proto/commonvat/module/difference/v1 \
		--exclude-source-info --as-file-descriptor-set -o $(PYTHON_SDK)/contracts.binpb

.PHONY: demo-data
demo-data: ## rewrite the invented demo cooperative from its program and recorded seed
	go run ./clients/commonvat-demo invent --out testdata/demo/cooperative.jsonl

.PHONY: checkgenerate
checkgenerate: generate demo-data ## fail when a generated file is not what its source gives
	@test -z "$$(git status --porcelain -- $(GENERATED))" || \
		{ git status --short -- $(GENERATED); git --no-pager diff --stat -- $(GENERATED); echo "generated files differ from their sources"; exit 1; }

.PHONY: image-tree
image-tree: ## build the file tree of the container image into build/tree
	@rm -rf build/tree && deploy/container/tree.sh build/tree

.PHONY: clean
clean: ## remove bin/ and build/; the record in data/ stays
	rm -rf $(BIN) build
