.PHONY: help check test bench golden

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / {printf "%-8s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

check: ## everything that CI runs
	bash .ci/run

test: ## all tests
	go test ./...

bench: ## all benchmarks, with allocations
	go test -run '^$$' -bench . -benchmem ./...

golden: ## rewrite the golden outputs; read the diff before committing it
	go test $$(grep -rl --include='*_test.go' '"update"' . | xargs -n 1 dirname | sort -u) -update
