#!/usr/bin/python3
"""coverage.py - what the tests reach: tools/coverage.py BUILD [--missing MODULE|FILE]

Sums up the counters that a build with gcc --coverage has left in BUILD, by module of src/. Lines are those that gcc
gives code to; branches are the ways out of each condition, without those of calls that do not return. Ends with 1 when
a module has fewer than 90 % of its lines reached. --missing prints the lines that were not."""
import gzip, glob, json, os, subprocess, sys, tempfile

LEAST_PERCENT = 90
build = os.path.abspath(sys.argv[1])
wanted = sys.argv[3] if len(sys.argv) > 3 and sys.argv[2] == '--missing' else None
root = os.getcwd()
lines, branches = {}, {}
with tempfile.TemporaryDirectory() as scratch:
    # a test may take a source in whole, which is counted with the test
    notes = sorted(glob.glob(f'{build}/src/*/*.gcno') + glob.glob(f'{build}/tests/test_*.gcno'))
    for at in range(0, len(notes), 20):
        subprocess.run(['gcov', '--json-format', '--branch-probabilities', *notes[at:at + 20]], cwd=scratch, check=True,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for name in glob.glob(f'{scratch}/*.gcov.json.gz'):
            data = json.load(gzip.open(name))
            for file in data['files']:
                path = os.path.relpath(os.path.join(data['current_working_directory'], file['file']), root)
                if not path.startswith('src/'):
                    continue
                for line in file['lines']:
                    key = (path, line['line_number'])
                    lines[key] = max(lines.get(key, 0), line['count'])
                    counts = [b['count'] for b in line['branches'] if not b['throw']]
                    before = branches.get(key, [])
                    if len(before) == len(counts):
                        counts = [max(a, b) for a, b in zip(before, counts)]
                    branches[key] = counts
            os.remove(name)
if not lines:
    sys.exit(f'no counters were found in {build}')


def row(label, keys):
    hit = sum(lines[k] > 0 for k in keys)
    ways = [count for k in keys for count in branches[k]]
    taken = sum(count > 0 for count in ways)
    print(f'{label:22} {len(keys):6} lines {100 * hit / len(keys):6.1f} %   {len(ways):6} branches {100 * taken / max(1, len(ways)):6.1f} %')
    return 100 * hit / len(keys)


module_of = {key: key[0].split('/')[1] for key in lines}
short = [m for m in sorted(set(module_of.values())) if row(m, [k for k in lines if module_of[k] == m]) < LEAST_PERCENT]
row('src', list(lines))
if wanted:
    for path in sorted({k[0] for k in lines if wanted in (module_of[k], k[0])}):
        print()
        row(path, [k for k in lines if k[0] == path])
        text = open(path, encoding='utf-8').read().split('\n')
        for key in sorted(k for k in lines if k[0] == path and lines[k] == 0):
            print(f'{key[1]:6}: {text[key[1] - 1]}')
if short:
    print(f'fewer than {LEAST_PERCENT} % of the lines: {", ".join(short)}')
sys.exit(1 if short else 0)
