# The installed completion is the one the tables make; it offers commands, options and words; the man page names them all.
root=$cases/../..
railfold --completion >made.bash
diff "$root/tools/completion.bash" made.bash || fault "tools/completion.bash is old: railfold --completion > tools/completion.bash"
command -v bash >/dev/null || { echo "no bash"; exit 77; }
complete() { # complete WORDS...: what is offered for the last one
    bash -c '. ./made.bash; compopt() { :; }
        COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _railfold; echo "${COMPREPLY[*]}"' bash "$@"
}
check() { # check WANTED GOT
    [ "$1" = "$2" ] || fault "offered '$2', not '$1'"
}
check merge "$(complete railfold me)"
check "--depth --depth-view" "$(complete railfold merge --dep)"
check "name time" "$(complete railfold merge --order '')"
check time "$(complete railfold merge --order = t)"
check "first middle last" "$(complete railfold merge pebble --reference '')"
check "" "$(complete railfold merge --output '')"
check "" "$(complete railfold merge pebb)"

# Each command of --help has a section in the man page that names every option its own --help lists.
for command in $(railfold --help | sed -n '/^commands:/,/^$/s/^  \([a-z]\{1,\}\).*/\1/p'); do
    sed -n "/^\.SS $command\$/,/^\.S[SH] /p" "$root/docs/railfold.1" >section
    [ -s section ] || fault "the man page has no section '$command'"
    sed -n '/^\.SS Options of every command$/,/^\.S[SH] /p' "$root/docs/railfold.1" >>section
    for option in $(railfold "$command" --help | sed -n 's/^  \(-.,\|   \) --\([a-z0-9-]*\).*/\2/p'); do
        grep -qF -e "\\-\\-$(echo "$option" | sed 's/-/\\-/g')" section || fault "the man page's '$command' lacks --$option"
        grep -qw -e "--$option" made.bash || fault "the completion lacks --$option"
    done
done
# And names no option that is gone.
railfold --help >helps
for command in $(railfold --help | sed -n '/^commands:/,/^$/s/^  \([a-z]\{1,\}\).*/\1/p'); do
    railfold "$command" --help >>helps
done
for option in $(sed 's/\\-/-/g' "$root/docs/railfold.1" | grep -o -e '--[a-z][a-z0-9-]*' | sort -u); do
    grep -qw -e "$option" helps || fault "the man page names $option, which does not exist"
done
if command -v man >/dev/null; then
    man --warnings -E UTF-8 -l -Tutf8 -Z "$root/docs/railfold.1" 2>"$kept/warnings" >/dev/null ||
        fault "man cannot show the man page"
    [ ! -s "$kept/warnings" ] || fault "the man page: $(cat "$kept/warnings")"
fi
