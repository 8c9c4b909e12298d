# One frame that cannot be read neither changes how the rest of the card is split nor goes unmentioned; a folder that
# cannot be listed is an error, not an empty folder.
frames card/a 3 --times 5
frames card/b 3 --times 5 --first 11
/usr/bin/python3 -c 'import os, sys
for k in (11, 12, 13):  # an hour later
    path = f"card/b/f{k}.jpg"
    data = open(path, "rb").read().replace(b"2024:05:01 12:", b"2024:05:01 13:")
    open(path, "wb").write(data)'
works takes -q --report whole.json card
cp "$kept/stdout" whole.txt
cp card/a/f2.jpg "$kept/f2.jpg"
truncate -s 300 card/a/f2.jpg
works takes -q --report cut.json card
holds "$kept/stderr" 'warning: 1 frame of the card cannot be read, the first: card/a/f2.jpg: '
[ "$(wc -l <"$kept/stderr")" = 1 ] || fault "it said more: $(cat "$kept/stderr")"
[ "$(field cut.json '[t["files"] for t in r["takes"]]')" = "$(field whole.json '[t["files"] for t in r["takes"]]')" ] ||
    fault "split another way: $(cat cut.json)"
[ "$(field cut.json 'r["unreadable"]') $(field whole.json 'r["unreadable"]')" = "1 0" ] || fault "$(cat cut.json)"
