# bash completion for railfold. Written by `railfold --completion`: change the tables, not this file.
_railfold() {
    local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} words=
    # --option=value arrives as three words.
    if [ "$word" = = ]; then
        word=
    elif [ "$before" = = ]; then
        before=${COMP_WORDS[COMP_CWORD - 2]}
    fi
    COMPREPLY=()
    if [ "$COMP_CWORD" -eq 1 ]; then
        words="merge --help --version --completion"
    else
        case "${COMP_WORDS[1]}:$before" in
        merge:--output | merge:-o)  ;;
        merge:--depth)  ;;
        merge:--confidence)  ;;
        merge:--depth-view)  ;;
        merge:--list)  ;;
        merge:--list0)  ;;
        merge:--order) words="name time" ;;
        merge:--reference) words="first middle last" ;;
        merge:--step) compopt +o default +o bashdefault ;;
        merge:--view) words="perspective parallel" ;;
        merge:--pixel) compopt +o default +o bashdefault ;;
        merge:--threads) compopt +o default +o bashdefault ;;
        merge:--memory) compopt +o default +o bashdefault ;;
        merge:--progress) words="auto always never" ;;
        merge:--report)  ;;
        *)
            case "${COMP_WORDS[1]}:$word" in
            merge:-*) words=" -o --output --depth --confidence --depth-view --list --list0 --order --reverse --reference --step --view --pixel --no-align --no-gain --no-repair --skip-bad --threads --memory --progress --strict -v --verbose --report --force -q --quiet -h --help" ;;
            esac ;;
        esac
    fi
    [ -z "$words" ] || COMPREPLY=($(compgen -W "$words" -- "$word"))
}
complete -o default -o bashdefault -F _railfold railfold
