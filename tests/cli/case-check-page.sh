# check --page: one file, written whole, never over another unasked; names with markup in them stay text.
frames 'a<b>&c' 6 --size 96x64
works check -q --page p.html --report r.json 'a<b>&c'
holds p.html '<title>a&lt;b&gt;&amp;c: '
lacks p.html 'a<b>&c'
[ "$(grep -c 'role="option"' p.html)" = 6 ] || fault "the page does not hold the six frames"
[ "$(tail -n 1 p.html)" = '</html>' ] || fault "the page has no end"
fails 5 '*p.html*' check -q --page p.html 'a<b>&c'
works check -q --force --page p.html 'a<b>&c'
fails 2 '*--page takes*.html*' check -q --page p.txt 'a<b>&c'
fails 2 '*leave --page out*' check --watch --page w.html 'a<b>&c'
fails 5 '*same.html*' check -q --page same.html --report same.html 'a<b>&c'

# A long take keeps 160 frames, both ends among them.
mkdir long
for k in $(seq -w 0 179); do cp 'a<b>&c'/"$(ls 'a<b>&c' | head -n 1)" "long/f$k.jpg"; done
works check -q --page long.html long
[ "$(grep -c 'role="option"' long.html)" = 160 ] || fault "not 160 frames: $(grep -c 'role="option"' long.html)"
holds long.html 'data-frame="0"'
holds long.html 'data-frame="179"'
