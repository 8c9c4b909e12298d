# railfold - merges rail-stepped macro photographs into one sharp picture with a depth map.
#
#   make demo      install what is missing, build, make the demo take, merge it, say where the pictures are
#   make check     install what is missing, build, run every test
#   make           build only (library, program, tools) into build/$(MODE)
#   make fuzz      search for inputs that break a reader, FUZZ_SECONDS each
#   make help      every target
#
# Variables: V=1 shows the commands, MODE=release|debug|asan|ubsan|tsan|coverage|fuzz, CC, CFLAGS, LDFLAGS, PREFIX, DESTDIR, BINDIR, LIBDIR, INCLUDEDIR, MANDIR
MODE     ?= release
PREFIX   ?= /usr/local
BINDIR   ?= $(PREFIX)/bin
LIBDIR   ?= $(PREFIX)/lib
INCLUDEDIR ?= $(PREFIX)/include
MANDIR   ?= $(PREFIX)/share/man
COMPLETIONDIR ?= $(PREFIX)/share/bash-completion/completions
DESTDIR  ?=
PKG_CONFIG ?= pkg-config
CFLAGS   ?=
LDFLAGS  ?=

VERSION  := 0.1.0
SOVERSION := 0
B        := build/$(MODE)
MODULES  := base image io sequence align sharpness sensor depth merge plan check report stack

PACKAGES := libpng libjpeg libtiff-4 fftw3f libexif zlib libdeflate
PKG_CFLAGS = $(shell $(PKG_CONFIG) --cflags $(PACKAGES) 2>/dev/null)
PKG_LIBS   = $(shell $(PKG_CONFIG) --libs $(PACKAGES) 2>/dev/null)

# -fno-math-errno and -fno-trapping-math let sqrt and compares vectorise without changing a result; nothing here reorders
# sums, so results do not depend on the optimiser (-ffp-contract=off keeps gcc and clang from fusing differently).
WARNINGS := -Wall -Wextra -Wshadow -Wconversion -Wstrict-prototypes -Wmissing-prototypes -Wvla -Werror
REQUIRED := -std=c17 -D_XOPEN_SOURCE=700 -D_FILE_OFFSET_BITS=64 -Iinclude -Isrc -DRF_VERSION='"$(VERSION)"' \
            -fPIC -pthread -fno-math-errno -fno-trapping-math -ffp-contract=off $(WARNINGS)
# What a hostile file would have to get past if a reader had a fault after all; tests/cli/case-hardened.sh reads each back
# from the built program. -fcf-protection is for x86 alone, so the compiler is asked.
HARDEN   := -fstack-protector-strong -fstack-clash-protection -D_FORTIFY_SOURCE=2 \
            $(shell echo | $(CC) -fcf-protection -x c -c -o /dev/null - 2>/dev/null && echo -fcf-protection)
ifeq ($(MODE),release)
REQUIRED += -O3 -g1 $(HARDEN)
LINK     := -Wl,-z,relro,-z,now,-z,noexecstack
LINK_PIE := -pie
else ifeq ($(MODE),debug)
REQUIRED += -O0 -g3
else ifeq ($(MODE),asan)
REQUIRED += -O1 -g -fsanitize=address,undefined -fno-sanitize-recover=undefined -fno-omit-frame-pointer
LINK     := -fsanitize=address,undefined
else ifeq ($(MODE),ubsan)
REQUIRED += -O1 -g -fsanitize=undefined -fno-sanitize-recover=undefined
LINK     := -fsanitize=undefined
else ifeq ($(MODE),tsan)
REQUIRED += -O1 -g -fsanitize=thread
LINK     := -fsanitize=thread
else ifeq ($(MODE),coverage)
REQUIRED += -O1 -g --coverage -fprofile-update=atomic
LINK     := --coverage
else ifeq ($(MODE),fuzz)
CC       := clang
REQUIRED += -O1 -g -fsanitize=fuzzer-no-link,address,undefined -fno-sanitize-recover=undefined -fno-omit-frame-pointer -DFUZZ_SEARCH
LINK     := -fsanitize=fuzzer,address,undefined
else
$(error MODE is release, debug, asan, ubsan, tsan, coverage or fuzz, not '$(MODE)')
endif
ALL_CFLAGS = $(REQUIRED) $(PKG_CFLAGS) $(CFLAGS)
LIBS       = $(PKG_LIBS) -lm -pthread

LIB_SRC  := $(sort $(wildcard $(MODULES:%=src/%/*.c)))
CLI_SRC  := $(sort $(wildcard src/cli/*.c))
TEST_SRC := $(sort $(wildcard tests/test_*.c))
FUZZ_SRC := $(sort $(wildcard tests/fuzz/fuzz_*.c))
FUZZ_ALL := $(filter-out $(FUZZ_SRC) $(if $(filter fuzz,$(MODE)),%/replay.c),$(sort $(wildcard tests/fuzz/*.c)))
TOOL_SRC := $(sort $(wildcard tools/*.c))
TAKE_SRC := $(sort $(wildcard tools/take/*.c))
BENCH_SRC := $(sort $(wildcard tools/timing/*.c))
LIB_OBJ  := $(LIB_SRC:%.c=$B/%.o)
CLI_OBJ  := $(CLI_SRC:%.c=$B/%.o)
TESTS    := $(TEST_SRC:tests/%.c=$B/tests/%)
FUZZERS  := $(FUZZ_SRC:%.c=$B/%)
TOOLS    := $(TOOL_SRC:tools/%.c=$B/tools/%) $(if $(TAKE_SRC),$B/tools/take-maker) $(if $(BENCH_SRC),$B/tools/bench)
HEADERS  := $(sort $(wildcard include/railfold/*.h))

LIB_A    := $B/librailfold.a
LIB_SO   := $B/librailfold.so.$(VERSION)
PROGRAM  := $B/railfold

# Commands are shown with V=1 only; otherwise one short line a file.
Q := $(if $(V),,@)

.DELETE_ON_ERROR:
.SECONDARY:
.SUFFIXES:
.PHONY: FORCE all lib program tools tests check check-quick fuzz fuzzers coverage analyse valgrind demo deps headers layers format format-check install uninstall clean help bench bench-compare bench-kernels faults load

all: lib program tools                 ## build the library, the program and the tools
lib: $(LIB_A) $(LIB_SO) $B/railfold.pc
program: $(if $(CLI_SRC),$(PROGRAM))
tools: $(TOOLS)
tests: $(TESTS) $(FUZZERS) $B/tests/fault.so
fuzzers: $(FUZZERS)

# A changed flag rebuilds; an unchanged one does not.
$B/flags: FORCE | $B
	@echo '$(CC) $(ALL_CFLAGS) $(LDFLAGS)' | cmp -s - $@ || echo '$(CC) $(ALL_CFLAGS) $(LDFLAGS)' > $@
FORCE:
$B:
	@mkdir -p $@

$B/%.o: %.c $B/flags
	@mkdir -p $(@D)
	$(if $(V),,@echo '  cc $<')
	$(Q)$(CC) $(ALL_CFLAGS) -MMD -MP -c $< -o $@

$(LIB_A): $(LIB_OBJ)
	$(Q)rm -f $@ && $(AR) rcs $@ $^
$(LIB_SO): $(LIB_OBJ)
	$(if $(V),,@echo '  ld $@')
	$(Q)$(CC) -shared -Wl,-soname,librailfold.so.$(SOVERSION) $(LINK) $(LDFLAGS) -o $@ $^ $(LIBS)
$(PROGRAM): $(CLI_OBJ) $(LIB_A)
	$(if $(V),,@echo '  ld $@')
	$(Q)$(CC) $(LINK) $(LINK_PIE) $(LDFLAGS) -o $@ $^ $(LIBS)
# Rules for named targets: with plain patterns a source that is new would leave the choice to what is already built.
$(filter-out $B/tests/test_cli_%,$(TESTS)): $B/tests/%: $B/tests/%.o $(LIB_A)
	$(if $(V),,@echo '  ld $@')
	$(Q)$(CC) $(LINK) $(LDFLAGS) -o $@ $^ -lcmocka $(LIBS)
$(filter $B/tests/test_cli_%,$(TESTS)): $B/tests/%: $B/tests/%.o $(filter-out %/main.o,$(CLI_OBJ)) $(LIB_A)
	$(if $(V),,@echo '  ld $@')
	$(Q)$(CC) $(LINK) $(LDFLAGS) -o $@ $^ -lcmocka $(LIBS)
$(FUZZERS): $B/tests/fuzz/%: $B/tests/fuzz/%.o $(FUZZ_ALL:%.c=$B/%.o) $(filter-out %/main.o,$(CLI_OBJ)) $(LIB_A)
	$(if $(V),,@echo '  ld $@')
	$(Q)$(CC) $(LINK) $(LDFLAGS) -o $@ $^ $(LIBS)
$B/tools/%: $B/tools/%.o $(LIB_A)
	$(if $(V),,@echo '  ld $@')
	$(Q)$(CC) $(LINK) $(LDFLAGS) -o $@ $^ $(LIBS)
$B/tools/take-maker: $(TAKE_SRC:%.c=$B/%.o) $(LIB_A)
	@mkdir -p $(@D)
	$(if $(V),,@echo '  ld $@')
	$(Q)$(CC) $(LINK) $(LDFLAGS) -o $@ $^ $(LIBS)
$B/tools/bench: $(BENCH_SRC:%.c=$B/%.o) $(LIB_A)
	@mkdir -p $(@D)
	$(if $(V),,@echo '  ld $@')
	$(Q)$(CC) $(LINK) $(LDFLAGS) -o $@ $^ $(LIBS)
$B/railfold.pc: tools/railfold.pc.in Makefile | $B
	$(Q)sed -e 's|@PREFIX@|$(PREFIX)|' -e 's|@LIBDIR@|$(LIBDIR)|' -e 's|@INCLUDEDIR@|$(INCLUDEDIR)|' \
	    -e 's|@VERSION@|$(VERSION)|' $< > $@

# Preloaded into the program by tests/faults.
$B/tests/fault.so: tests/shim/fault.c $B/flags
	@mkdir -p $(@D)
	$(Q)$(CC) -std=c17 -O2 -Wall -Wextra -Werror -shared -fPIC -o $@ $<

deps:                                  ## install the packages that are missing (apt; without root it prints the command)
	@sh tools/setup.sh

demo: deps                             ## make the demo take, merge it, say where the pictures are
	@$(MAKE) --no-print-directory all
	@sh tools/demo.sh $B

check:                                 ## set up, build, run every test
	@sh tools/setup.sh check
	@$(MAKE) --no-print-directory check-quick

check-quick: all tests layers headers  ## every test, no set-up
	@sh tests/run.sh $B

FUZZ_SECONDS ?= 60
fuzz:                                  ## fuzzing (clang): FUZZ_SECONDS=60 each, FUZZ="png tiff" for some
	@$(MAKE) --no-print-directory MODE=fuzz fuzzers
	@sh tools/fuzz.sh build/fuzz $(FUZZ_SECONDS) $(FUZZ)

coverage:                              ## lines and branches of each module that the tests reach (gcc, gcov)
	@$(MAKE) --no-print-directory MODE=coverage all tests
	@find build/coverage -name '*.gcda' -delete
	@chmod -R a+rwX build/coverage # a case runs the program as another user, whose counters must land too
	-@umask 0; RAILFOLD_CONFINE=0 sh tests/run.sh build/coverage
	@/usr/bin/python3 tools/coverage.py build/coverage

analyse:                               ## gcc -fanalyzer, clang-tidy and cppcheck over src/
	@sh tools/analyse.sh build/analyse

# Cases that run each command once or twice on small frames; a program under memcheck is 30 times slower.
VALGRIND_CASES ?= few-frames default-output list odd-names bad-frame skip-bad depth plan-outputs check-plan takes-split
valgrind: all                          ## memcheck on command-line tests: no bad access, no leak
	@sh tools/valgrind.sh $B $(VALGRIND_CASES)

layers:                                ## no lower layer includes a higher one
	@sh tools/check-layers.sh

headers: $(HEADERS:include/railfold/%.h=$B/headers/%.o)   ## each public header compiles alone
$B/headers/%.o: include/railfold/%.h $B/flags
	@mkdir -p $(@D)
	@echo '#include "railfold/$*.h"' | $(CC) $(ALL_CFLAGS) -x c -c - -o $@

format:                                ## clang-format on every source
	clang-format -i $(shell git ls-files '*.c' '*.h')
format-check:
	clang-format --dry-run -Werror $(shell git ls-files '*.c' '*.h')

faults: all tests                      ## every allocation and call fails in turn, full disks, 400 kills (a quarter of an hour)
	@sh tests/faults/run.sh $B

load: all tests                        ## 1000 frames, 100 megapixels, 50 merges at once, 200 merges in one process
	@/usr/bin/python3 tests/faults/load.py $B

bench: all                             ## time and memory per stage beside the machine's floor; BENCH=full: every size
	@sh tools/bench.sh $B

bench-compare: all                     ## the same, beside the figures in OLD=file.json; fails when they got worse
	@sh tools/bench.sh $B $(OLD)

bench-kernels: all                     ## instructions of each hot function (valgrind); OLD=file.json compares
	@sh tools/bench-kernels.sh $B $(OLD)

install: all                           ## into $(DESTDIR)$(PREFIX)
	install -d $(DESTDIR)$(BINDIR) $(DESTDIR)$(LIBDIR)/pkgconfig $(DESTDIR)$(INCLUDEDIR)/railfold \
	    $(DESTDIR)$(MANDIR)/man1 $(DESTDIR)$(COMPLETIONDIR)
	install -m 755 $(PROGRAM) $(DESTDIR)$(BINDIR)/railfold
	install -m 644 $(LIB_A) $(DESTDIR)$(LIBDIR)/
	install -m 755 $(LIB_SO) $(DESTDIR)$(LIBDIR)/
	ln -sf librailfold.so.$(VERSION) $(DESTDIR)$(LIBDIR)/librailfold.so.$(SOVERSION)
	ln -sf librailfold.so.$(SOVERSION) $(DESTDIR)$(LIBDIR)/librailfold.so
	install -m 644 $(HEADERS) $(DESTDIR)$(INCLUDEDIR)/railfold/
	install -m 644 $B/railfold.pc $(DESTDIR)$(LIBDIR)/pkgconfig/
	install -m 644 docs/railfold.1 $(DESTDIR)$(MANDIR)/man1/
	install -m 644 tools/completion.bash $(DESTDIR)$(COMPLETIONDIR)/railfold

uninstall:                             ## the inverse of install
	rm -f $(DESTDIR)$(BINDIR)/railfold $(DESTDIR)$(LIBDIR)/librailfold.a $(DESTDIR)$(LIBDIR)/librailfold.so* \
	    $(DESTDIR)$(LIBDIR)/pkgconfig/railfold.pc $(DESTDIR)$(MANDIR)/man1/railfold.1 $(DESTDIR)$(COMPLETIONDIR)/railfold
	rm -rf $(DESTDIR)$(INCLUDEDIR)/railfold

clean:                                 ## remove build/
	rm -rf build

help:                                  ## this list
	@sed -n 's/^\([a-z-]*\):.*## \(.*\)/  \1\t\2/p' Makefile | expand -t 18

-include $(LIB_OBJ:.o=.d) $(CLI_OBJ:.o=.d) $(TESTS:=.d) $(FUZZERS:=.d) $(FUZZ_ALL:%.c=$B/%.d) $(TOOL_SRC:%.c=$B/%.d) $(TAKE_SRC:%.c=$B/%.d)
