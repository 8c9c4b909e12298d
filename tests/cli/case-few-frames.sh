# One frame merges to itself; two frames work; and so does each kind of output.
frames one 1 --ending png --depth 16
works merge -o one.png one
/usr/bin/python3 -c 'import cv2, numpy
a, b = (cv2.imread(n, cv2.IMREAD_UNCHANGED).astype(int) for n in ("one/f1.png", "one.png"))
worst = numpy.abs(a - b).max()
assert a.shape == b.shape and worst <= 257, worst  # one level of 8 bit, in 16-bit samples' || fault "one frame is not itself"
works merge -o one-frame.jpg one/f1.png
[ "$(picture one-frame.jpg)" = "192x128 3 uint8" ] || fault "$(picture one-frame.jpg)"

frames two 2 --ending tif
works merge --step 50um -o two.png --depth d.tif --confidence c.png --depth-view v.png --report r.json two
[ "$(cat "$kept/stdout")" = "two.png
d.tif
c.png
v.png
r.json" ] || fault "stdout: $(cat "$kept/stdout")"
[ "$(picture two.png)" = "192x128 3 uint16" ] || fault "$(picture two.png)"
[ "$(picture d.tif)" = "192x128 1 float32" ] || fault "$(picture d.tif)"
[ "$(picture c.png)" = "192x128 1 uint16" ] || fault "$(picture c.png)"
[ "$(picture v.png | cut -d' ' -f1)" = "192x128" ] || fault "$(picture v.png)"
[ "$(field r.json 'r["depth"]["unit"]')" = mm ] || fault "unit: $(field r.json 'r["depth"]')"

frames grey 2 --ending png --grey
works merge grey
[ "$(picture grey-merged.tif)" = "192x128 1 uint16" ] || fault "$(picture grey-merged.tif)"
