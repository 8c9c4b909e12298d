# The report on standard output is one JSON object and nothing else; its fields are those of the documentation.
frames pebble 4
works merge -o out.tif --report - pebble
mv "$kept/stdout" report.json
[ "$(field report.json '" ".join(sorted(r))')" = "blur_px_per_step channels command covered depth dust_spots format frames \
height hot_pixels output outputs peak_memory_bytes pixel_mm railfold reference scale_per_step seconds step_mm threads view warnings \
width working_distance_steps" ] || fault "fields: $(field report.json '" ".join(sorted(r))')"
[ "$(field report.json 'r["format"], r["command"], r["output"], r["width"], r["height"], r["view"]')" = \
    "(1, 'merge', 'out.tif', 192, 128, 'perspective')" ] || fault "$(cat report.json)"
[ "$(field report.json 'set(map(type, sum((f["matrix"] + f["shift_px"] + [f["scale"], f["rotation_deg"], f["gain"],
    f["sharp_fraction"]] for f in r["frames"]), []))) <= {int, float}')" = True ] || fault "numbers: $(cat report.json)"
[ "$(field report.json '[len(f["matrix"]) for f in r["frames"]] == [6] * 4')" = True ] || fault "$(cat report.json)"
[ "$(field report.json '[f["index"] for f in r["frames"]]')" = "[0, 1, 2, 3]" ] || fault "$(cat report.json)"
[ "$(field report.json 'r["seconds"]["total"] > 0 and r["peak_memory_bytes"] > 192 * 128')" = True ] || fault "$(cat report.json)"
[ "$(field report.json '0.9 < sum(f["sharp_fraction"] for f in r["frames"]) <= 1.0001')" = True ] ||
    fault "sharp fractions: $(field report.json '[f["sharp_fraction"] for f in r["frames"]]')"
# Digests are those of the bytes that went in and came out, whatever tells them.
works merge -o m.png --depth d.tif --confidence c.tif --sigma s.tif --depth-view v.png --page p.html --report all.json pebble
/usr/bin/python3 -c 'import hashlib, json
report = json.load(open("all.json"))
told = [(f["file"], f["sha256"]) for f in report["frames"] + report["outputs"]]
assert [o["kind"] for o in report["outputs"]] == ["picture", "depth", "confidence", "sigma", "depth_view", "page"], told
assert [f for f, _ in told[4:]] == ["m.png", "d.tif", "c.tif", "s.tif", "v.png", "p.html"], told
for file, digest in told:
    assert hashlib.sha256(open(file, "rb").read()).hexdigest() == digest, file' || fault "a digest is wrong"
works merge --reference first -o first.tif --report first.json pebble
[ "$(field first.json 'r["reference"]')" = 0 ] || fault "reference: $(field first.json 'r["reference"]')"
works merge --reference 3 -o third.tif --report third.json pebble
[ "$(field third.json 'r["reference"]')" = 3 ] || fault "reference: $(field third.json 'r["reference"]')"
