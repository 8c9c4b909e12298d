"""Compares a file with a list of shell patterns, line by line. Usage: match_lines.py PATTERNS FILE"""
import fnmatch
import sys

patterns, lines = (open(name, encoding="utf-8", errors="surrogateescape").read().splitlines() for name in sys.argv[1:3])
for number, (pattern, line) in enumerate(zip(patterns, lines), 1):
    if not fnmatch.fnmatchcase(line, pattern):
        sys.exit(f"line {number}: {line!a} does not match {pattern!a}")
if len(patterns) != len(lines):
    sys.exit(f"{len(lines)} lines, where {len(patterns)} were expected")
