# Ctrl-C and its relatives: exit code 130, outputs untouched, no temporary file, inputs untouched.
frames pebble 40 --size 640x480
mkdir out
echo precious >out/old.tif
stop() { # stop SIGNAL ARGS...: sends the signal once the run shows progress
    tree >"$kept/before"
    /usr/bin/python3 - "$@" <<'P' || fault "$1: not stopped as it should be"
import array, fcntl, os, signal, subprocess, sys, termios, time
name, args = sys.argv[1], sys.argv[2:]
run = subprocess.Popen([os.environ["RAILFOLD"], "merge", "--progress", "always", *args], stdin=subprocess.PIPE,
                       stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0,
                       preexec_fn=lambda: signal.signal(getattr(signal, name), signal.SIG_DFL))
if "-" in args:  # it waits for the rest of the list once the first line has left the pipe
    run.stdin.write(b"pebble/f1.jpg\n")
    waiting = array.array("i", [1])
    while waiting[0]:
        time.sleep(0.01)
        fcntl.ioctl(run.stdin, termios.FIONREAD, waiting)
else:
    assert run.stderr.read(1), "ended before it could be stopped"
run.send_signal(getattr(signal, name))
talk = run.stderr.read()
assert run.stdout.read() == b"", "wrote to stdout"
code = run.wait(60)
assert code == 130, (code, talk)
last = talk.decode().split("\r")[-1]
assert last.count("\n") == 1 and "stopped" in last, last
P
    tree >"$kept/after"
    cmp "$kept/before" "$kept/after" || fault "$1 changed files"
}
stop SIGINT -o out/new.tif --depth out/depth.tif --report out/r.json pebble
stop SIGTERM --force -o out/old.tif pebble
stop SIGHUP pebble
stop SIGINT -o out/new.tif --list -
