# merge --page: one file, written whole, never over another unasked; names with markup in them stay text.
frames 'a<b>&c' 5 --size 96x64
works merge -o m.png --page p.html 'a<b>&c'
holds "$kept/stdout" p.html
holds p.html '<title>a&lt;b&gt;&amp;c</title>'
lacks p.html 'a<b>&c'
[ "$(grep -c 'class="frame-picture"' p.html)" = 5 ] || fault "the page does not hold the five frames"
[ "$(tail -n 1 p.html)" = '</html>' ] || fault "the page has no end"
fails 5 '*p.html*' merge -o m2.png --page p.html 'a<b>&c'
fails 2 '*--page takes*.html*' merge -o m2.png --page p.txt 'a<b>&c'
fails 5 '*same.html*' merge -o m2.png --page same.html --report same.html 'a<b>&c'
works merge --force -o m.png --page p.html --no-align --view parallel 'a<b>&c'

# A long take keeps 24 frames, both ends among them.
frames long 30 --size 64x48
works merge -o l.png --page l.html --no-align long
[ "$(grep -c 'class="frame-picture"' l.html)" = 24 ] || fault "not 24 frames: $(grep -c 'class="frame-picture"' l.html)"
holds l.html 'data-frame="0"'
holds l.html 'data-frame="29"'
