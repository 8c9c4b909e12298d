# The release program is built to be hard to abuse; each flag is read back from what was built.
[ "$(basename "$(dirname "$RAILFOLD")")" = release ] || { echo "only the release build is hardened"; exit 77; }
command -v readelf >/dev/null && command -v objdump >/dev/null || { echo "readelf and objdump (binutils) are missing"; exit 77; }
says() { # says WHAT TEXT COMMAND...
    what=$1 text=$2
    shift 2
    LC_ALL=C "$@" 2>/dev/null | grep -q -- "$text" || fault "$what: '$text' is not in the output of $*"
}
for file in "$RAILFOLD" "$(dirname "$RAILFOLD")"/librailfold.so.*; do
    says "position-independent" 'Type: *DYN' readelf -h "$file"
    says "read-only after relocation" GNU_RELRO readelf -lW "$file"
    says "all symbols bound at start (full RELRO)" 'BIND_NOW\|FLAGS.*NOW' readelf -dW "$file"
    says "stack protector" __stack_chk_fail readelf -sW "$file"
    says "_FORTIFY_SOURCE" '__[a-z]*_chk@' readelf -sW "$file"
    stack=$(readelf -lW "$file" | awk '$1 == "GNU_STACK" { print $7 }')
    [ "$stack" = RW ] || fault "$file has a stack of $stack, where RW was expected"
done
says "PIE" 'FLAGS_1.*PIE' readelf -dW "$RAILFOLD"
if [ "$(uname -m)" = x86_64 ]; then
    says "-fcf-protection" endbr64 objdump -d --disassemble=main "$RAILFOLD"
    # each page of a large stack frame is touched: gcc ors a nought, clang stores one
    touch='orq *\$0x0,(%rsp)'
    ! readelf -p .comment "$RAILFOLD" | grep -q clang || touch='movq *\$0x0,(%rsp)'
    says "-fstack-clash-protection" "$touch" objdump -d "$RAILFOLD"
fi
