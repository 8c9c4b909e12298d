# An output that may not be written: exit code 5 before any work, one sentence that names it, nothing changed.
frames pebble 3
fails 5 '*nowhere/x.tif*' merge -o nowhere/x.tif pebble
fails 5 '*nowhere/d.tif*' merge --depth nowhere/d.tif pebble
fails 5 '*nowhere/r.json*' merge --report nowhere/r.json pebble
fails 5 '*pebble/f1.jpg/x.tif*' merge -o pebble/f1.jpg/x.tif pebble

# Outputs that exist are kept, each of them.
echo precious >old.tif
fails 5 '*old.tif*--force*' merge -o old.tif pebble
fails 5 '*old.tif*--force*' merge -o new.tif --depth old.tif pebble
fails 5 '*old.tif*--force*' merge -o new.tif --confidence old.tif pebble
echo precious >old.png
fails 5 '*old.png*--force*' merge -o new.tif --depth-view old.png pebble
echo precious >old.json
fails 5 '*old.json*--force*' merge -o new.tif --report old.json pebble
echo precious >pebble-merged.tif
fails 5 '*pebble-merged.tif*--force*' merge pebble
mkdir folder.tif
fails 5 '*folder.tif*folder*' merge --force -o folder.tif pebble
mkfifo pipe.tif
fails 5 '*pipe.tif*' merge --force -o pipe.tif pebble

# An input is never an output, by whatever name.
ln -s pebble/f2.jpg link.jpg
ln pebble/f2.jpg hard.jpg
ln -s pebble other
fails 5 '*pebble/f2.jpg*input*' merge --force -o pebble/f2.jpg pebble
fails 5 '*pebble/../pebble/f2.jpg*input*' merge --force -o pebble/../pebble/f2.jpg pebble
fails 5 '*link.jpg*input*' merge --force -o link.jpg pebble
fails 5 '*hard.jpg*input*' merge --force -o hard.jpg pebble
fails 5 '*other/f2.jpg*input*' merge --force -o other/f2.jpg pebble
printf 'pebble/f1.jpg\npebble/f2.jpg\n' >take.tif
fails 5 '*take.tif*input*' merge --force -o take.tif --list take.tif

# Two outputs need two files.
fails 5 '*same file*' merge -o x.tif --depth x.tif pebble
fails 5 '*same file*' merge -o x.tif --depth pebble/../x.tif pebble
fails 5 '*same file*' merge -o pebble/x.tif --confidence other/x.tif pebble
fails 5 '*same file*' merge --force -o old.tif --depth ./old.tif pebble
ln -s old.tif alias.tif
fails 5 '*same file*' merge --force -o old.tif --depth alias.tif pebble
fails 5 '*same file*' merge --depth pebble-merged.tif --force pebble

# A folder that takes no files.
if [ "$(id -u)" = 0 ] && command -v setpriv >/dev/null; then
    cp "$RAILFOLD" "$kept/program" && chmod 755 "$kept/program" "$kept" . pebble
    lower() { setpriv --reuid 65534 --regid 65534 --clear-groups "$kept/program" "$@"; }
elif [ "$(id -u)" != 0 ]; then
    lower() { "$RAILFOLD" "$@"; }
else
    echo "closed folders: not tried, since root may write to all of them"
    exit 0
fi
railfold() { lower "$@"; }
mkdir closed open
chmod 555 closed
chmod 777 open
fails 5 '*closed/x.tif*' merge -o closed/x.tif pebble
chmod 000 pebble/f2.jpg
fails 3 '*pebble/f2.jpg*' merge -q -o open/x.tif pebble
