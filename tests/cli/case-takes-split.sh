# A card is split where there is a pause, where settings change and where the picture is another; lists feed merge.
mkdir -p card/DCIM/100CARD card/DCIM/101CARD card/MISC
"$TOOLS/take-maker" --quiet --size 240x160 --frames 5 one
"$TOOLS/take-maker" --quiet --size 240x160 --frames 6 --scene dome --seed 3 two
"$TOOLS/take-maker" --quiet --size 240x160 --frames 6 --fault settings:2:3 three
/usr/bin/python3 - <<'END'
import os
number = 0
def put(take, folder, hour):
    global number
    for name in sorted(os.listdir(take + "/frames")):
        number += 1
        data = open(f"{take}/frames/{name}", "rb").read().replace(b"2024:03:14 09:", b"2024:03:14 %02d:" % hour)
        open(f"card/DCIM/{folder}/IMG_{number}.jpg", "wb").write(data)
put("one", "100CARD", 9)
put("two", "101CARD", 10)
put("three", "101CARD", 11)
END
echo text >card/MISC/readme.txt
works takes --lists lists --report takes.json card
[ "$(field takes.json '[(t["count"], t["reason"]) for t in r["takes"]]')" = \
    "[(5, 'first'), (6, 'time'), (3, 'time'), (3, 'settings')]" ] || fault "$(cat takes.json)"
[ "$(wc -l <"$kept/stdout")" = 5 ] || fault "$(cat "$kept/stdout")"
[ "$(ls lists | tr '\n' ' ')" = "take-001.txt take-002.txt take-003.txt take-004.txt " ] || fault "$(ls lists)"
[ "$(cat lists/*.txt | sort -u | wc -l)" = 17 ] || fault "not every frame stands in one list"
works merge -q --list lists/take-001.txt -o one.tif
fails 5 '*take-001.txt*' takes -q --lists lists card
works takes -q --force --lists lists --gap 2h card
# Two subjects, one soon after the other: the picture tells.
mkdir mixed
for k in 0 1 2 3 4; do cp "one/frames/frame-000$k.jpg" "mixed/a$k.jpg"; done
/usr/bin/python3 - <<'END'
import os
for k in range(6): # a minute later: the take's own pace is 12 s, its gap 48 s
    data = open(f"two/frames/frame-{k:04d}.jpg", "rb").read().replace(b"09:30:", b"09:31:").replace(b"09:31:00", b"09:31:08")
    open(f"mixed/b{k}.jpg", "wb").write(data)
END
works takes -q --report - mixed
cp "$kept/stdout" mixed.json
[ "$(field mixed.json '[(t["count"], t["reason"]) for t in r["takes"]]')" = "[(5, 'first'), (6, 'picture')]" ] ||
    fault "$(cat mixed.json)"
works takes -q --no-look --report - mixed
cp "$kept/stdout" blind.json
[ "$(field blind.json 'len(r["takes"])')" = 1 ] || fault "$(cat blind.json)"
fails 2 '*' takes
fails 3 '*' takes card/MISC
fails 3 '*' takes nowhere
fails 2 '*' takes --gap 30 card
