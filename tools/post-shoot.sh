#!/bin/sh
# From a card folder to merged pictures: splits it into takes, checks each, merges those that are worth it, tells how it
# went. Nothing is written beside the frames. Run it again after an interruption: finished takes are kept, half-done ones
# are done anew. docs/post-shoot.md holds the exit codes and an example for a cluster's array job.
set -u

usage() {
    cat <<'END'
usage: post-shoot.sh [-o OUT] [-j JOBS] [-g GAP] CARD     the whole way
       post-shoot.sh -o OUT [-g GAP] --split CARD         lists of takes alone
       post-shoot.sh -o OUT --one N                       check and merge take N (from 1)
       post-shoot.sh -o OUT --summary                     the table, and the exit code

  -o OUT    where everything goes (CARD-merged beside the card)
  -j JOBS   takes at a time (1)
  -g GAP    a longer pause begins a new take, as 45s (left to railfold takes)

environment: RAILFOLD, the program (railfold); MERGE_OPTIONS, more options for railfold merge, split at blanks
exit codes:  0 every take merged; 7 all done, but a take must be shot again; 1 a take failed; 2 usage; 3 nothing to do;
             5 OUT cannot be written; 130 interrupted
END
}
say() {
    printf '%s\n' "post-shoot: $*" >&2
}
fail() { # fail CODE TEXT
    code=$1
    shift
    say "$*"
    exit "$code"
}

railfold=${RAILFOLD:-railfold}
out='' jobs=1 gap='' mode=all card='' number=''
while [ $# -gt 0 ]; do
    case $1 in
    -h | --help) usage; exit 0 ;;
    -o | -j | -g | --one)
        [ $# -ge 2 ] || fail 2 "$1 needs a value"
        case $1 in
        -o) out=$2 ;;
        -j) jobs=$2 ;;
        -g) gap=$2 ;;
        --one) mode=one number=$2 ;;
        esac
        shift ;;
    --split) mode='split' ;;
    --summary) mode='summary' ;;
    -*) fail 2 "unknown option '$1'; -h tells what there is" ;;
    *)
        [ -z "$card" ] || fail 2 "one card folder was expected, not '$card' and '$1'"
        card=$1 ;;
    esac
    shift
done
case $jobs in '' | *[!0-9]* | 0) fail 2 "-j '$jobs': a number from 1 was expected" ;; esac
command -v "$railfold" >/dev/null 2>&1 || fail 2 "the program '$railfold' is not there; set RAILFOLD"

case $mode in
all | split)
    [ -n "$card" ] || { usage >&2; exit 2; }
    [ -d "$card" ] || fail 3 "$card: there is no such folder"
    card=$(cd "$card" && pwd) || exit 3
    [ -n "$out" ] || out=$card-merged ;;
*) [ -n "$out" ] || fail 2 "-o OUT is needed with --one and --summary" ;;
esac
mkdir -p "$out/lists" "$out/.running" 2>/dev/null || fail 5 "$out cannot be written"
out=$(cd "$out" && pwd) || exit 5
case $out/ in "$card"/*) [ -z "$card" ] || fail 2 "OUT must not lie within the card folder" ;; esac

# ---- one take ----

child=''
stop_child() {
    trap '' INT TERM HUP
    if [ -n "$child" ]; then
        kill -TERM "$child" 2>/dev/null
        wait "$child" 2>/dev/null
    fi
    rm -f "$out/.running/$take"
    exit 130
}
# Runs a command that can be stopped while it works; its exit code is returned. SIGINT is ignored in background children,
# so it is passed on as SIGTERM.
run() {
    "$@" &
    child=$!
    wait "$child"
    result=$?
    child=''
    return "$result"
}
note() { # note VERDICT OUTCOME: the take's line for the table, and the mark that it is finished
    printf '%s\t%s\t%s\t%s\n' "$take" "$frames" "$1" "$2" >"$folder/result.part" &&
        mv "$folder/result.part" "$folder/result" &&
        printf '%s\n' "$stamp" >"$folder/done.part" && mv "$folder/done.part" "$folder/done"
}
one() { # one NAME
    take=$1
    list=$out/lists/$take.txt
    folder=$out/$take
    [ -r "$list" ] || fail 2 "$list is not there; --split first"
    mkdir -p "$folder" || exit 5
    stamp=$(cksum <"$list")
    frames=$(wc -l <"$list" | tr -d ' ')
    if [ -e "$folder/done" ] && [ "$(cat "$folder/done")" = "$stamp" ]; then
        say "$take: kept"
        return 0
    fi
    trap stop_child INT TERM HUP
    echo $$ >"$out/.running/$take"
    rm -f "$folder/done" "$folder/result"
    outcome=0
    if [ "$frames" -lt 3 ]; then
        note stray 'not merged'
    else
        check_and_merge || outcome=$?
    fi
    rm -f "$out/.running/$take"
    trap - INT TERM HUP
    return "$outcome"
}
check_and_merge() {
    say "$take: checking $frames frames"
    run "$railfold" check -q --force --report "$folder/check.json" --page "$folder/check.html" --list "$list" \
        >"$folder/check.txt" || {
        failed=$?
        note unreadable "check ended with $failed"
        rm -f "$folder/done" # to be tried again
        return 1
    }
    verdict=$(sed -n 's/^ *"verdict": "\([a-z]*\)".*/\1/p' "$folder/check.json" | head -n 1)
    if [ "$verdict" = retake ]; then
        note retake 'not merged'
        return 0
    fi
    say "$take: $verdict, merging"
    set -- --force -q --list "$list" -o "$folder/merged.tif" --depth "$folder/depth.tif" --report "$folder/merge.json"
    if "$railfold" merge --help | grep -q -e '--page'; then
        set -- "$@" --page "$folder/page.html"
    fi
    # shellcheck disable=SC2086 # options, split at blanks as promised
    run "$railfold" merge "$@" ${MERGE_OPTIONS:-} >"$folder/merge.txt" 2>"$folder/merge.log" || {
        failed=$?
        note "$verdict" "merge ended with $failed"
        rm -f "$folder/done"
        return 1
    }
    note "$verdict" merged
}

# ---- all takes ----

split() {
    rm -rf "$out/lists.new"
    set -- --force -q --lists "$out/lists.new" --report "$out/takes.json" "$card"
    [ -z "$gap" ] || set -- --gap "$gap" "$@"
    "$railfold" takes "$@" >"$out/takes.txt" || return $?
    rm -rf "$out/lists"
    mv "$out/lists.new" "$out/lists"
}
names() {
    for list in "$out"/lists/take-*.txt; do
        [ -e "$list" ] && basename "$list" .txt
    done
}
still_running() {
    for running in "$out"/.running/*; do
        [ -e "$running" ] && return 0
    done
    return 1
}
# No take is begun any more; those under way are stopped, and clean up behind them.
stop_all() {
    trap '' INT TERM HUP
    [ -z "$workers" ] || kill -TERM "$workers" 2>/dev/null
    for running in "$out"/.running/*; do
        [ -e "$running" ] && kill -TERM "$(cat "$running")" 2>/dev/null
    done
    patience=60
    while still_running && [ "$patience" -gt 0 ]; do
        sleep 1
        patience=$((patience - 1))
    done
    say "interrupted; run it again to go on"
    exit 130
}
work() {
    workers=''
    trap stop_all INT TERM HUP
    rm -f "$out"/.running/*
    names | RAILFOLD=$railfold xargs -P "$jobs" -I '{}' sh "$0" -o "$out" --one '{}' &
    workers=$!
    wait "$workers"
    trap - INT TERM HUP
}
summary() {
    code=0
    printf '%-10s %7s  %-11s %s\n' take frames verdict outcome
    for take in $(names); do
        if [ ! -e "$out/$take/result" ]; then
            printf '%-10s %7s  %-11s %s\n' "$take" "$(wc -l <"$out/lists/$take.txt" | tr -d ' ')" - 'not done'
            code=1
            continue
        fi
        IFS="$(printf '\t')" read -r name frames verdict outcome <"$out/$take/result"
        printf '%-10s %7s  %-11s %s\n' "$name" "$frames" "$verdict" "$outcome"
        case $verdict/$outcome in
        retake/*) [ "$code" -eq 1 ] || code=7 ;;
        stray/* | */merged) ;;
        *) code=1 ;;
        esac
    done
    return "$code"
}

case $mode in
all)
    split || exit $?
    work
    summary
    exit $? ;;
split)
    split || exit $?
    names ;;
one)
    case $number in
    take-*) one "$number" ;;
    *[!0-9]* | '') fail 2 "--one '$number': the number of a take was expected" ;;
    *) one "$(printf 'take-%03d' "$number")" ;;
    esac
    exit $? ;;
summary)
    summary
    exit $? ;;
esac
