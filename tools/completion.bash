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
        words="merge check takes plan depth --help --version --completion"
    else
        case "${COMP_WORDS[1]}:$before" in
        merge:--output | merge:-o)  ;;
        merge:--depth)  ;;
        merge:--confidence)  ;;
        merge:--sigma)  ;;
        merge:--depth-view)  ;;
        merge:--page)  ;;
        merge:--list)  ;;
        merge:--list0)  ;;
        merge:--order) words="name time" ;;
        merge:--reference) words="first middle last" ;;
        merge:--step) compopt +o default +o bashdefault ;;
        merge:--view) words="perspective parallel" ;;
        merge:--pixel) compopt +o default +o bashdefault ;;
        merge:--plan)  ;;
        merge:--threads) compopt +o default +o bashdefault ;;
        merge:--max-megapixels) compopt +o default +o bashdefault ;;
        merge:--memory) compopt +o default +o bashdefault ;;
        merge:--progress) words="auto always never" ;;
        merge:--report)  ;;
        check:--plan)  ;;
        check:--page)  ;;
        check:--list)  ;;
        check:--list0)  ;;
        check:--order) words="name time" ;;
        check:--threads) compopt +o default +o bashdefault ;;
        check:--max-megapixels) compopt +o default +o bashdefault ;;
        check:--progress) words="auto always never" ;;
        check:--report)  ;;
        takes:--gap) compopt +o default +o bashdefault ;;
        takes:--lists)  ;;
        takes:--max-megapixels) compopt +o default +o bashdefault ;;
        takes:--progress) words="auto always never" ;;
        takes:--report)  ;;
        plan:--focal) compopt +o default +o bashdefault ;;
        plan:--magnification) compopt +o default +o bashdefault ;;
        plan:--extension) compopt +o default +o bashdefault ;;
        plan:--field-width) compopt +o default +o bashdefault ;;
        plan:--aperture) compopt +o default +o bashdefault ;;
        plan:--pupil-ratio) compopt +o default +o bashdefault ;;
        plan:--objective) compopt +o default +o bashdefault ;;
        plan:--medium) compopt +o default +o bashdefault ;;
        plan:--working-distance) compopt +o default +o bashdefault ;;
        plan:--sensor) compopt +o default +o bashdefault ;;
        plan:--pixels) compopt +o default +o bashdefault ;;
        plan:--pitch) compopt +o default +o bashdefault ;;
        plan:--frame-mb) compopt +o default +o bashdefault ;;
        plan:--subject-depth) compopt +o default +o bashdefault ;;
        plan:--blur) compopt +o default +o bashdefault ;;
        plan:--wavelength) compopt +o default +o bashdefault ;;
        plan:--overlap) compopt +o default +o bashdefault ;;
        plan:--guard) compopt +o default +o bashdefault ;;
        plan:--backdrop) compopt +o default +o bashdefault ;;
        plan:--lead) compopt +o default +o bashdefault ;;
        plan:--divisions) compopt +o default +o bashdefault ;;
        plan:--smallest-step) compopt +o default +o bashdefault ;;
        plan:--step) compopt +o default +o bashdefault ;;
        plan:--shutter) compopt +o default +o bashdefault ;;
        plan:--metered) words="external through-lens" ;;
        plan:--metered-at) compopt +o default +o bashdefault ;;
        plan:--timer) compopt +o default +o bashdefault ;;
        plan:--settle) compopt +o default +o bashdefault ;;
        plan:--mains) words="50 60" ;;
        plan:--solve) words="aperture step frames" ;;
        plan:--max-frames) compopt +o default +o bashdefault ;;
        plan:--csv)  ;;
        plan:--report)  ;;
        depth:--at) compopt +o default +o bashdefault ;;
        depth:--distance) compopt +o default +o bashdefault ;;
        depth:--profile) compopt +o default +o bashdefault ;;
        depth:--csv)  ;;
        depth:--plot)  ;;
        depth:--plane) words="fit" ;;
        depth:--levelled)  ;;
        depth:--colour)  ;;
        depth:--relief)  ;;
        depth:--contours) words="auto" ;;
        depth:--drape)  ;;
        depth:--angle) compopt +o default +o bashdefault ;;
        depth:--stereo)  ;;
        depth:--exaggerate) compopt +o default +o bashdefault ;;
        depth:--mesh)  ;;
        depth:--cloud)  ;;
        depth:--points) compopt +o default +o bashdefault ;;
        depth:--picture)  ;;
        depth:--confidence)  ;;
        depth:--sigma)  ;;
        depth:--step) compopt +o default +o bashdefault ;;
        depth:--pixel) compopt +o default +o bashdefault ;;
        depth:--plan)  ;;
        depth:--max-megapixels) compopt +o default +o bashdefault ;;
        depth:--report)  ;;
        *)
            case "${COMP_WORDS[1]}:$word" in
            merge:-*) words=" -o --output --depth --confidence --sigma --depth-view --page --list --list0 --order --reverse --reference --step --view --pixel --plan --no-align --no-gain --no-repair --skip-bad --threads --max-megapixels --memory --progress --strict -v --verbose --report --force -q --quiet -h --help" ;;
            check:-*) words=" --plan --page --watch --list --list0 --order --reverse --threads --max-megapixels --progress --strict --report --force -q --quiet -h --help" ;;
            takes:-*) words=" --gap --lists --no-look --max-megapixels --progress --report --force -q --quiet -h --help" ;;
            plan:-*) words=" --focal --magnification --extension --field-width --aperture --pupil-ratio --reversed --objective --medium --working-distance --sensor --pixels --pitch --frame-mb --subject-depth --blur --wavelength --overlap --guard --backdrop --lead --divisions --smallest-step --step --shutter --metered --metered-at --timer --settle --mains --solve --max-frames --compare --csv --strict --report --force -q --quiet -h --help" ;;
            depth:-*) words=" --at --distance --profile --csv --plot --plane --levelled --colour --relief --contours --drape --angle --stereo --exaggerate --mesh --cloud --points --picture --confidence --sigma --step --pixel --plan --max-megapixels --report --force -q --quiet -h --help" ;;
            esac ;;
        esac
    fi
    [ -z "$words" ] || COMPREPLY=($(compgen -W "$words" -- "$word"))
}
complete -o default -o bashdefault -F _railfold railfold
