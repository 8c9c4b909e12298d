/* stop.c - the handler only sets a flag. */
#include "cli/stop.h"

#include <signal.h>
#include <stddef.h>

/* A signal reaches the process, so its flag belongs to the process: the one variable of the command line. */
static volatile sig_atomic_t stop_asked;

static void ask_stop(int signal_number)
{
    (void)signal_number;
    stop_asked = 1;
}

void rf_stop_install(void)
{
    static const int signals[] = {SIGINT, SIGTERM, SIGHUP};
    for (size_t i = 0; i < sizeof signals / sizeof *signals; i++) {
        struct sigaction before, action = {.sa_handler = ask_stop}; /* no SA_RESTART: a waiting read ends too */
        (void)sigemptyset(&action.sa_mask);
        if (sigaction(signals[i], NULL, &before) == 0 && before.sa_handler != SIG_IGN)
            (void)sigaction(signals[i], &action, NULL);
    }
    /* A file that grows past a limit, or a reader that went away, is an error of the write: it is told, and cleared up
     * after, where the signal would end the run with temporaries left. */
    struct sigaction ignore = {.sa_handler = SIG_IGN};
    (void)sigemptyset(&ignore.sa_mask);
    (void)sigaction(SIGXFSZ, &ignore, NULL);
    (void)sigaction(SIGPIPE, &ignore, NULL);
}

int rf_stop_asked(void)
{
    return stop_asked != 0;
}
