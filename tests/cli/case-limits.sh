# --memory is refused before work starts when it cannot be kept; --threads changes no byte of the result.
frames pebble 4
fails 6 '*--memory*' merge --memory 1M pebble
works merge --memory 2G --threads 1 -o one.tif --depth one-depth.tif --confidence one-c.png --report one.json pebble
works merge --threads=2 -o two.tif --depth two-depth.tif --confidence two-c.png --report two.json pebble
same one.tif two.tif
same one-depth.tif two-depth.tif
same one-c.png two-c.png
[ "$(field one.json 'r["threads"]') $(field two.json 'r["threads"]')" = "1 2" ] || fault "threads in the report"
