# Mistakes on the command line: exit code 2 and one sentence that names the option, the value and what was expected.
frames pebble 2
fails 2 '*' merj pebble
fails 2 '*' pebble
fails 2 '*' -v merge pebble
fails 2 '*' nonsense
fails 2 '*' merge --ouput x.tif pebble
fails 2 '*' merge --out x.tif pebble
fails 2 '*' merge --depht=d.tif pebble
fails 2 '*' merge --bananas pebble
fails 2 '*' merge -x pebble
fails 2 '*' merge -output x.tif pebble
fails 2 '*' merge --step 0.05 pebble
fails 2 '*' merge --step 0,05mm pebble
fails 2 '*' merge --step -1mm pebble
fails 2 '*' merge --step=0mm pebble
fails 2 '*' merge --memory 2 pebble
fails 2 '*' merge --memory=lots pebble
fails 2 '*' merge --threads 0 pebble
fails 2 '*' merge --threads=two pebble
fails 2 '*' merge --order date pebble
fails 2 '*' merge --view sideways pebble
fails 2 '*' merge --reference end pebble
fails 2 '*' merge --reference -1 pebble
fails 2 '*' merge --reference 2 pebble
fails 2 '*' merge --force=yes pebble
fails 2 '*' merge pebble --output
fails 2 '*' merge --output --force pebble
fails 2 '*' merge --output= pebble
fails 2 '*' merge --output picture.gif pebble
fails 2 '*' merge --output picture pebble
fails 2 '*' merge --output - pebble
fails 2 '*' merge --depth depth.jpg pebble
fails 2 '*' merge --confidence c.txt pebble
fails 2 '*' merge --depth-view view.tif pebble
fails 2 '*' merge
fails 2 '*' merge --list a.txt pebble
fails 2 '*' merge --list a.txt --list0 b.txt
fails 2 '*' merge pebble/f1.jpg pebble/f2.jpg
