# railfold depth: what a map carries is read back, every output is written whole, bad input ends with one sentence.
frames take 6 --size 96x64
works merge --step 0.1mm --pixel 20um --reverse -o m.png --depth d.tif --confidence c.tif --sigma s.tif --report m.json take
[ "$(field m.json 'r["depth"]["unit"], r["depth"]["zero"], "direction" in r["depth"], r["step_mm"], round(r["pixel_mm"], 6)')" = \
    "('mm', 'focus plane of frame 0', True, 0.1, 0.02)" ] || fault "the merge's report says otherwise: $(cat m.json)"
works depth d.tif
holds "$kept/stdout" 'd.tif: 96 x 64 pixels'
holds "$kept/stdout" '0.1 mm, 6 frames'
holds "$kept/stdout" '20 um on the subject'
works depth d.tif --report r.json
[ "$(field r.json 'r["command"], r["unit"], r["step_mm"], round(r["pixel_mm"], 6), r["frames"], r["width"]')" = \
    "('depth', 'mm', 0.1, 0.02, 6, 96)" ] || fault "the report says otherwise: $(cat r.json)"
works depth d.tif --report -
same r.json "$kept/stdout"

# A 16-bit map says the same as the float one, to the precision of both: that one's values are multiples of 2^-14 mm.
works merge --step 0.1mm --pixel 20um --reverse -o m2.png --depth d.png --confidence c.png take
for place in 5,5 40,30 95,63; do
    works depth d.tif --at $place --report a.json --force
    works depth d.png --at $place --report b.json --force
    /usr/bin/python3 -c 'import json
a, b = (json.load(open(n))["at"]["depth"] for n in ("a.json", "b.json"))
assert abs(a - b) <= 0.5 / 65535 + 2.0 ** -15, (a, b)' || fault "float and 16-bit map differ at $place"
done

# Everything at once.
works depth d.tif --confidence c.tif --sigma s.tif --picture m.png --at 40,30 --distance 5,5,80,50 --profile 2,30,90,30 \
    --csv p.csv --plot p.svg --plane fit --levelled l.tif --colour v.png --relief r.png --contours auto --drape a.jpg \
    --angle -30,50 --stereo s.png --mesh surface.obj --cloud c.xyz --points 900
for line in 'tilt' 'flatness' 'at 40,30' 'true' 'Ra ' 'not a calibrated gauge'; do
    holds "$kept/stdout" "$line"
done
for file in p.csv p.svg l.tif v.png r.png a.jpg s.png surface.obj surface.mtl surface.png c.xyz; do
    [ -s $file ] || fault "$file is missing"
done
case $(picture v.png) in *"x64 3 uint8") ;; *) fault "the view is $(picture v.png)" ;; esac
[ "$(head -n 1 p.csv)" = "x_px,y_px,along_mm,depth_mm,sigma_mm,confidence" ] || fault "the table: $(head -n 1 p.csv)"
[ "$(wc -l <p.csv)" = 90 ] || fault "the table has $(wc -l <p.csv) lines"
holds surface.obj 'mtllib surface.mtl'
holds surface.mtl 'map_Kd surface.png'
works depth l.tif
holds "$kept/stdout" 'from the plane it was levelled by'

# Step and pixel: from the command line, else from a plan's report, else from the map.
works merge -o m3.png --depth steps.tif take
works depth steps.tif
holds "$kept/stdout" 'step        unknown'
works plan --focal 100 --magnification 2 --aperture 11 --sensor 36x24 --pixels 6000x4000 --subject-depth 5 --lead 1 \
    --divisions 100 --report plan.json
works depth steps.tif --plan plan.json --report r.json --force
[ "$(field r.json 'r["step_mm"], r["pixel_mm"], r["unit"]')" = "(0.44, 0.003, 'mm')" ] || fault "no lengths: $(cat r.json)"
works depth steps.tif --plan plan.json --step 50um --report r.json --force
[ "$(field r.json 'r["step_mm"]')" = 0.05 ] || fault "--step does not come first"
works merge -o m4.png --depth planned.tif --plan plan.json take
works depth planned.tif --report r.json --force
[ "$(field r.json 'r["step_mm"], round(r["pixel_mm"], 9)')" = "(0.44, 0.003)" ] || fault "merge took no plan: $(cat r.json)"

# Bad input.
/usr/bin/python3 -c 'import cv2, numpy as np
cv2.imwrite("nan.tif", np.full((20, 30), np.nan, np.float32))
cv2.imwrite("grey.png", np.full((64, 96), 9, np.uint16))
cv2.imwrite("small.png", np.full((6, 9, 3), 9, np.uint8))'
printf '{"step_mm": 1' >half.json
printf '{"inputs": {"step_mm": 1, "pixel_um": 2}, "text": "\\"step_mm\\": 3"}' >other.json
fails 2 '*one depth map*' depth
fails 2 '*one depth map*' depth d.tif d.png
fails 3 '*none.tif*' depth none.tif
fails 3 '*no map*' depth take/f1.jpg
fails 3 '*confidence map; a depth map*' depth c.tif
fails 3 '*grey.png: is no depth map*' depth grey.png
fails 3 '*nan.tif: not one of its 30 x 20 pixels*' depth nan.tif
fails 3 '*small.png: has 9 x 6 pixels*' depth d.tif --picture small.png --drape x.png
fails 3 '*a confidence map was expected*' depth d.tif --confidence s.tif
fails 3 '*half.json*' depth d.tif --plan half.json
fails 3 '*other.json*neither*' depth d.tif --plan other.json
for option in at distance profile plane; do
    for value in '' 5 5, 5,5,5 5,x 1,2,3,4,5 nan,5 5,inf,5,5 1,2,3,4,5,6,7; do
        fails 2 "*--$option takes *" depth d.tif --$option "$value"
    done
done
fails 2 '*96,5 lies outside*0,0 to 95,63*' depth d.tif --at 96,5
fails 2 '*-1,5 lies outside*' depth d.tif --distance -1,5,3,3
fails 2 '*5,63.5 lies outside*' depth d.tif --profile 1,1,5,63.5
fails 2 '*one line*' depth d.tif --plane 1,1,2,2,3,3
fails 2 '*--profile*' depth d.tif --csv x.csv
fails 2 '*--plane*' depth d.tif --levelled x.tif
fails 2 '*--colour*' depth d.tif --contours auto
fails 2 '*--contours takes*' depth d.tif --colour x.png --contours 0.2
fails 2 '*rail step is unknown*' depth steps.tif --colour x.png --contours 0.2mm
fails 2 '*rail step is unknown*' depth steps.tif --mesh x.ply
fails 2 '*size of a pixel is unknown*' depth steps.tif --step 1mm --cloud x.ply
fails 2 '*--mesh takes*.ply or .obj*' depth d.tif --mesh x.stl
fails 2 '*--angle takes*' depth d.tif --drape x.png --angle 90,10
fails 5 '*d.tif*' depth d.tif --plane fit --levelled d.tif --force
fails 5 '*exists*' depth d.tif --colour v.png
rm surface.obj
fails 5 '*surface.*exists*' depth d.tif --picture m.png --mesh surface.obj
works depth d.tif --colour v.png --force
