# The parts of the README's two commands (`./setup.sh demo`, `./setup.sh check`), and
# the packages. `make` alone says what there is.

# Where the demo's collection folder is made; `make demo DEMO=~/moths` puts it
# elsewhere.
DEMO ?= target/demo
GLASSINE = target/release/glassine

# How long `make weather` tries each target, in seconds.
SECONDS_EACH ?= 120

.PHONY: help setup demo check check-setup fmt clippy docs test weather audit package
.NOTPARALLEL:

help:
	@echo "make demo    install what is missing, build, read the sample photographs"
	@echo "make check   format, lints, documentation, tests (what CI runs)"
	@echo "make weather bad inputs for every reader of files, $(SECONDS_EACH) seconds each (SECONDS_EACH=600 for longer)"
	@echo "make audit   known faults, licences and sources of the crates (asks the network)"
	@echo "make package a Debian package and an archive for other systems, in target/package/, tried"
	@echo "make setup   only install what is missing: system packages, models"

setup:
	@[ -n "$$GLASSINE_READY" ] || ./setup.sh

# The folder may be there from an earlier run: the same photographs then make
# no second drafts, and nothing settled in it is lost.
demo: setup
	cargo build --release --locked
	@test -d "$(DEMO)" || $(GLASSINE) new "$(DEMO)"
	@cp samples-demo/config/*.toml "$(DEMO)/config/"
	$(GLASSINE) add "$(DEMO)" samples-demo/photos
	@$(GLASSINE) list "$(DEMO)"
	@echo
	@echo "To look at the drafts and settle them, open the review page:"
	@echo "    $(GLASSINE) review $(DEMO)"

# The tests come last, so that the runner's own closing line is the last one.
check: check-setup fmt clippy docs test

check-setup:
	@[ -n "$$GLASSINE_READY" ] || ./setup.sh tests
	@cargo fmt --version >/dev/null 2>&1 || rustup component add rustfmt
	@cargo clippy --version >/dev/null 2>&1 || rustup component add clippy

fmt:
	cargo fmt --check

clippy:
	cargo clippy --locked --all-targets -- -D warnings

docs:
	RUSTDOCFLAGS="-D warnings" cargo doc --locked --no-deps --document-private-items

# nextest does not run the examples in the documentation: those come first.
test:
	cargo test --locked --doc
	@if cargo nextest --version >/dev/null 2>&1; then \
	    echo cargo nextest run --locked; cargo nextest run --locked; \
	else \
	    echo cargo test --locked --lib --bins --tests; cargo test --locked --lib --bins --tests; \
	fi

# One target after the other: two that share the cores would be slow, which is one
# of the faults looked for. Optimised, as it is many inputs that find something.
weather: check-setup
	GLASSINE_WEATHER_SECONDS=$(SECONDS_EACH) cargo test --locked --release --test weather --test bad_inputs -- --test-threads 1 --nocapture

# Known faults come from RustSec's advisories, which are fetched.
audit:
	@cargo deny --version >/dev/null 2>&1 || cargo install cargo-deny --locked
	cargo deny --locked --config .ci/deny.toml check

# The program is built first; both packages are then unpacked and read a photograph.
package:
	@./setup.sh packing
	cargo build --release --locked
	.ci/package
	.ci/package-check
