# helpers.sh - what every command-line case may use. The current folder is empty scratch; $kept lies outside it.
cases=$(dirname "$1")
kept=$(cd .. && pwd)

railfold() {
    "$RAILFOLD" "$@"
}
fault() {
    echo "FAULT: $*"
    exit 1
}
frames() { # frames FOLDER COUNT [options of make_frames.py]
    /usr/bin/python3 "$cases/make_frames.py" "$@"
}
# Every name, and every file's content: what a failed run must leave as it was.
tree() {
    find . -print0 | sort -z | tr '\0\n' '\n\\'
    find . -type f -print0 | sort -z | xargs -0 -r cksum 2>&1
    find . -type l -print0 | sort -z | xargs -0 -r -n 1 readlink
}
# fails CODE PATTERN ARGS...: the run ends with CODE and one sentence on stderr that fits the shell pattern, writes nothing
# to stdout, and leaves the scratch folder exactly as it was. Standard input is passed on.
fails() {
    wanted=$1
    pattern=$2
    shift 2
    tree >"$kept/before"
    code=0
    railfold "$@" >"$kept/stdout" 2>"$kept/stderr" || code=$?
    tree >"$kept/after"
    sentence=$(cat "$kept/stderr")
    [ "$code" = "$wanted" ] || fault "railfold $* ended with $code, not $wanted: $sentence"
    [ ! -s "$kept/stdout" ] || fault "railfold $* wrote to stdout: $(cat "$kept/stdout")"
    [ "$(wc -l <"$kept/stderr")" = 1 ] || fault "railfold $* did not say one sentence: $sentence"
    # shellcheck disable=SC2254 # the pattern is one
    case $sentence in
    $pattern) ;;
    *) fault "railfold $* said '$sentence', which does not fit '$pattern'" ;;
    esac
    cmp -s "$kept/before" "$kept/after" || fault "railfold $* changed files: $(diff "$kept/before" "$kept/after")"
    echo "$sentence"
}
# works ARGS...: the run succeeds and leaves no temporary file; its stdout and stderr lie in $kept.
works() {
    code=0
    railfold "$@" >"$kept/stdout" 2>"$kept/stderr" || code=$?
    [ "$code" = 0 ] || fault "railfold $* ended with $code: $(cat "$kept/stderr")"
    [ -z "$(find . -name '.railfold-*')" ] || fault "railfold $* left a temporary file"
}
# holds FILE TEXT, lacks FILE TEXT: whether the file has the text.
holds() {
    grep -qF -e "$2" "$1" || fault "'$2' is not in $1: $(cat "$1")"
}
lacks() {
    ! grep -qF -e "$2" "$1" || fault "'$2' is in $1: $(cat "$1")"
}
# same FILE FILE: equal byte for byte.
same() {
    cmp "$1" "$2" || fault "$1 and $2 differ"
}
# field REPORT EXPRESSION: a Python expression over the report r, printed.
field() {
    /usr/bin/python3 -c 'import json, sys
r = json.load(open(sys.argv[1], encoding="utf-8"))
print(eval(sys.argv[2]))' "$1" "$2"
}
# picture FILE: size, channels and sample type as an outside reader sees them.
picture() {
    /usr/bin/python3 -c 'import sys, cv2
p = cv2.imread(sys.argv[1], cv2.IMREAD_UNCHANGED)
print("unreadable" if p is None else f"{p.shape[1]}x{p.shape[0]} {1 if p.ndim == 2 else p.shape[2]} {p.dtype}")' "$1"
}
