# Reports parse and say the name, pages stay one page, a message stays one line: for names and texts made to break them.
/usr/bin/python3 "$cases/hostile_names.py" "$RAILFOLD" || fault "a name or text broke what quotes it"
