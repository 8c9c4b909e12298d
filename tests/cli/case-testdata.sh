# The files of testdata: what is in ok/ is read, each in bad/ ends with exit code 3 and one sentence that names it.
data=$cases/../../testdata
for file in "$data"/ok/*; do
    name=$(basename "$file")
    cp "$file" "$name"
    railfold merge -q -o "merged-$name.tif" "$name" >/dev/null || fault "$name was refused"
    rm "$name"
done
count=0
for file in "$data"/bad/*; do
    name=$(basename "$file")
    cp "$file" "$name"
    fails 3 "*$name*" merge -q -o never.tif "$name"
    rm "$name"
    count=$((count + 1))
done
[ "$count" -ge 8 ] || fault "only $count bad files were found"
