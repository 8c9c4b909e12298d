# The same frames give the same bytes, run after run and from any number of threads; reports differ in times and memory alone.
frames pebble 5 --size 240x160
for run in 1 2 3 4; do
    threads=$((run * run % 7 + (run > 1))) # 1, 5, 3, 3
    mkdir "run$run"
    for ending in tif png jpg; do
        works merge --threads "$threads" --step 50um -o "run$run/m.$ending" --depth "run$run/d.tif" --confidence "run$run/c.png" \
            --sigma "run$run/s.tif" --depth-view "run$run/v.png" --report "run$run/r.json" --force pebble
    done
    /usr/bin/python3 -c 'import json, sys
r = json.load(open(sys.argv[1]))
for name in "seconds", "peak_memory_bytes", "threads", "output":
    del r[name]
for output in r["outputs"]:
    del output["file"]
json.dump(r, open(sys.argv[1], "w"))' "run$run/r.json"
    for file in m.tif m.png m.jpg d.tif c.png s.tif v.png r.json; do
        same "run1/$file" "run$run/$file"
    done
done
