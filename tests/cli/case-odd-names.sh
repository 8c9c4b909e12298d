# Names with blanks, quotes, dashes, line breaks and bytes that are no UTF-8 are names like any other.
frames pebble 2
bad=$(printf 'lichen \377\376')
breaks='two
lines'
for name in 'my take' "it's" 'a "quoted" one' '$(touch oops)' "$breaks" "$bad" '-dash' 'Flechte ä' '*' '100%s'; do
    cp -r pebble "./$name"
    mv "./$name/f1.jpg" "./$name/$name 1.jpg"
    mv "./$name/f2.jpg" "./$name/$name 2.jpg"
    works merge -q --report r.json -- "$name"
    [ "$(cat "$kept/stdout")" = "$name-merged.tif
r.json" ] || fault "stdout: $(cat "$kept/stdout")"
    [ -s "./$name-merged.tif" ] || fault "$name-merged.tif is missing"
    RECORD=$(field r.json 'r["output"]')
    WANTED=$(/usr/bin/python3 -c 'import os, sys
print(os.fsencode(sys.argv[1]).decode("utf-8", "replace"))' "$name-merged.tif")
    [ "$RECORD" = "$WANTED" ] || fault "the report names '$RECORD', not '$WANTED'"
    find "./$name" -type f -print0 | works merge -q --order name --list0 - -o "./$name/out.png"
    rm r.json
done
[ ! -e oops ] || fault "a name was run as a command"
# A message stays one line, whatever the name.
fails 3 '*two\\nlines*' merge "$breaks/missing"
fails 2 '*-dash*--*' merge -dash
