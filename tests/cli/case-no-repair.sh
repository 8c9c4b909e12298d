# merge --no-repair: dust is neither looked for nor repaired, and the take is merged all the same.
"$TOOLS/take-maker" --quiet --size 540x360 --frames 14 --hot-pixels 0 --dust 6 --seed 1 take
works merge --report r.json -o repaired.tif take/frames
[ "$(field r.json 'r["dust_spots"]')" -ge 5 ] || fault "of 6 spots of dust too few are found: $(cat r.json)"
works merge --no-repair --report n.json -o plain.tif take/frames
[ "$(field n.json 'r["dust_spots"]')" = 0 ] || fault "dust is counted with --no-repair"
! cmp -s repaired.tif plain.tif || fault "--no-repair gives the same picture"
