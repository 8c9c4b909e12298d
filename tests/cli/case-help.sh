# Help and version go to stdout and end with 0; a command line without a command goes to stderr and ends with 2.
works --version
case $(cat "$kept/stdout") in
"railfold "[0-9]*.[0-9]*.[0-9]*) ;;
*) fault "--version: $(cat "$kept/stdout")" ;;
esac
for words in --help -h "merge --help" "merge -h" "merge --force --help nonsense"; do
    # shellcheck disable=SC2086 # the words are to be split
    works $words
    [ ! -s "$kept/stderr" ] || fault "help wrote to stderr"
    holds "$kept/stdout" "options:"
    awk 'length > 79 { exit 1 }' "$kept/stdout" || fault "$words is wider than 79 columns"
done
code=0
railfold >"$kept/stdout" 2>"$kept/stderr" || code=$?
[ "$code" = 2 ] && [ ! -s "$kept/stdout" ] || fault "no command: $code"
holds "$kept/stderr" "commands:"
# Results that reach no one are no success.
code=0
railfold --help >/dev/full 2>"$kept/stderr" || code=$?
[ "$code" = 5 ] || fault "a full stdout ended with $code"
