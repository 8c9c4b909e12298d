/* test_cli_confine.c - what a confined process can no longer do, tried in children of the test. */
#define _DEFAULT_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#include "cli/confine.h"

static char scratch[256];

typedef int (*trial)(void);

enum { SKIPPED = 77, NOT_REFUSED = 1 };

/* Runs a trial in a confined child whose one output lies in SCRATCH/out. 0: as it should be. */
static int confined(int needed, trial try_it)
{
    pid_t child = fork();
    if (child == 0) {
        char path[300];
        (void)snprintf(path, sizeof path, "%s/out/merged.tif", scratch);
        const rf_destination outputs[] = {{"--output", path, NULL}, {"--report", "-", NULL}, {"--depth", NULL, NULL}};
        int on = rf_confine(outputs, 3);
        _exit((on & needed) != needed ? SKIPPED : try_it());
    }
    int how = 0;
    assert_int_equal(waitpid(child, &how, 0), child);
    assert_true(WIFEXITED(how));
    if (WEXITSTATUS(how) == SKIPPED)
        skip();
    return WEXITSTATUS(how);
}

static int opens(const char *name, int flags)
{
    char path[300];
    (void)snprintf(path, sizeof path, "%s/%s", scratch, name);
    int fd = open(path, flags, 0600);
    return fd < 0 ? errno : close(fd);
}

static int files_trial(void)
{
    if (opens("out/new.tif", O_WRONLY | O_CREAT | O_EXCL) != 0 || opens("kept.txt", O_RDONLY) != 0)
        return 2;
    if (opens("stray.txt", O_WRONLY | O_CREAT) != EACCES || opens("kept.txt", O_WRONLY) != EACCES)
        return NOT_REFUSED;
    char from[300], to[300];
    (void)snprintf(from, sizeof from, "%s/kept.txt", scratch);
    (void)snprintf(to, sizeof to, "%s/out/kept.txt", scratch);
    return unlink(from) == 0 || rename(from, to) == 0 || chmod(from, 0777) == 0 || truncate(from, 0) == 0;
}

static void no_file_is_written_outside_the_folders_of_the_outputs(void **state)
{
    (void)state;
    assert_int_equal(confined(RF_CONFINED_FILES | RF_CONFINED_CALLS, files_trial), 0);
    struct stat kept;
    char path[300];
    (void)snprintf(path, sizeof path, "%s/kept.txt", scratch);
    assert_int_equal(stat(path, &kept), 0);
    assert_int_equal(kept.st_size, 4);
    assert_int_equal(kept.st_mode & 0777, 0600);
}

static int sockets_trial(void)
{
    static const int families[] = {AF_INET, AF_INET6, AF_UNIX, AF_NETLINK};
    int pair[2];
    for (size_t i = 0; i < sizeof families / sizeof *families; i++)
        if (socket(families[i], SOCK_STREAM, 0) >= 0 || errno != EPERM)
            return NOT_REFUSED;
    return socketpair(AF_UNIX, SOCK_STREAM, 0, pair) == 0;
}

static void no_socket_is_opened(void **state)
{
    (void)state;
    assert_int_equal(confined(RF_CONFINED_CALLS, sockets_trial), 0);
}

static int programs_trial(void)
{
    char *const arguments[] = {(char *)(uintptr_t) "/bin/true", NULL};
    if (execv(arguments[0], arguments) == 0 || errno != EPERM)
        return NOT_REFUSED;
    if (system("exit 0") == 0)
        return NOT_REFUSED;
    pid_t child = fork();
    if (child == 0)
        _exit(0);
    return child > 0 || kill(getppid(), 0) == 0;
}

static void no_program_or_process_is_started_or_signalled(void **state)
{
    (void)state;
    assert_int_equal(confined(RF_CONFINED_CALLS, programs_trial), 0);
}

static int landlock_alone_trial(void)
{
    char *const arguments[] = {(char *)(uintptr_t) "/bin/true", NULL};
    return execv(arguments[0], arguments) == 0;
}

static void other_doors_are_shut(void **state)
{
    (void)state;
    assert_int_equal(confined(RF_CONFINED_FILES, landlock_alone_trial), 0);
}

static void *add_one(void *arg)
{
    ++*(int *)arg;
    return socket(AF_INET, SOCK_STREAM, 0) < 0 ? arg : NULL;
}

/* The pool starts threads; they are confined like the one that started them. */
static int threads_trial(void)
{
    pthread_t thread;
    int count = 0;
    void *result = NULL;
    if (pthread_create(&thread, NULL, add_one, &count) != 0 || pthread_join(thread, &result) != 0)
        return 2;
    return count != 1 || result == NULL;
}

static void threads_start_and_are_confined(void **state)
{
    (void)state;
    assert_int_equal(confined(RF_CONFINED_CALLS, threads_trial), 0);
}

static int switched_off_trial(void)
{
    return opens("stray.txt", O_WRONLY | O_CREAT);
}

static void the_environment_can_leave_it_off(void **state)
{
    (void)state;
    assert_int_equal(setenv("RAILFOLD_CONFINE", "0", 1), 0);
    int trouble = confined(0, switched_off_trial);
    assert_int_equal(unsetenv("RAILFOLD_CONFINE"), 0);
    assert_int_equal(trouble, 0);
}

static int make_scratch(void **state)
{
    char path[300];
    (void)state;
    (void)snprintf(scratch, sizeof scratch, "%s/railfold-test-XXXXXX",
                   getenv("TMPDIR") != NULL ? getenv("TMPDIR") : "/tmp");
    if (mkdtemp(scratch) == NULL)
        return -1;
    (void)snprintf(path, sizeof path, "%s/kept.txt", scratch);
    int fd = open(path, O_WRONLY | O_CREAT, 0600);
    ssize_t put = write(fd, "mine", 4);
    (void)close(fd);
    (void)snprintf(path, sizeof path, "%s/out", scratch);
    return put == 4 ? mkdir(path, 0700) : -1;
}

static int remove_scratch(void **state)
{
    static const char *const names[] = {"kept.txt", "stray.txt", "out/new.tif", "out", ""};
    char path[300];
    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        (void)snprintf(path, sizeof path, "%s/%s", scratch, names[i]);
        (void)remove(path);
    }
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_file_is_written_outside_the_folders_of_the_outputs),
        cmocka_unit_test(no_socket_is_opened),
        cmocka_unit_test(no_program_or_process_is_started_or_signalled),
        cmocka_unit_test(other_doors_are_shut),
        cmocka_unit_test(threads_start_and_are_confined),
        cmocka_unit_test(the_environment_can_leave_it_off),
    };
    return cmocka_run_group_tests(tests, make_scratch, remove_scratch);
}
