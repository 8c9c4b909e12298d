/* fault.c - preloaded into a program, makes one of its system calls or allocations fail, or come back short.
 *
 * FAULT_CALL   read, write, open, close, fsync, rename, link, unlink, stat, list, map, lock, malloc: which calls count
 * FAULT_AT     the n-th of them fails, from 1; 0 or unset: none (they are counted)
 * FAULT_ON     1: and all after it
 * FAULT_ERROR  the errno; 0: a short count (read and write, half of what was asked for)
 * FAULT_COUNT  a file that takes how many of them were made
 * FAULT_PROBE  a file that takes what was refused when, at the first fsync, a socket, a program, a file elsewhere and a
 *              file beside the outputs were tried (FAULT_INSIDE, FAULT_OUTSIDE: paths to try)
 *
 * Calls are caught where they enter the system: a seccomp filter turns them into a signal, and the handler makes the
 * call in place of the program. So those inside the C library are seen as well (stdio's reads and writes, for one). The
 * filter lets through what comes from `pass`, the one place from which the handler calls. */
#define _GNU_SOURCE
#if defined(__x86_64__) && defined(__linux__)
#include <errno.h>
#include <fcntl.h>
#include <link.h>
#include <linux/audit.h>
#include <linux/filter.h>
#include <linux/seccomp.h>
#include <signal.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <ucontext.h>
#include <unistd.h>

long pass(long number, long a, long b, long c, long d, long e, long f);
extern const char pass_end[];
__asm__(".globl pass\n.globl pass_end\n.hidden pass\n.hidden pass_end\n.type pass,@function\n"
        "pass:\n\tmov %rdi,%rax\n\tmov %rsi,%rdi\n\tmov %rdx,%rsi\n\tmov %rcx,%rdx\n\tmov %r8,%r10\n\tmov %r9,%r8\n"
        "\tmov 8(%rsp),%r9\n\tsyscall\n\tret\npass_end:\n");

enum { CALLS_MOST = 8, FIRST_FILE = 3 };

typedef struct call_class {
    const char *name;
    int numbers[CALLS_MOST]; /* -1 ends */
} call_class;

static const call_class classes[] = {
    {"read", {SYS_read, SYS_pread64, SYS_readv, -1}},
    {"write", {SYS_write, SYS_pwrite64, SYS_writev, -1}},
    {"open", {SYS_open, SYS_openat, -1}},
    {"close", {SYS_close, -1}},
    {"fsync", {SYS_fsync, SYS_fdatasync, -1}},
    {"rename", {SYS_rename, SYS_renameat, SYS_renameat2, -1}},
    {"link", {SYS_link, SYS_linkat, -1}},
    {"unlink", {SYS_unlink, SYS_unlinkat, -1}},
    {"stat", {SYS_stat, SYS_fstat, SYS_lstat, SYS_newfstatat, SYS_statx, -1}},
    {"list", {SYS_getdents64, -1}},
    {"map", {SYS_mmap, SYS_brk, -1}},
    {"lock", {SYS_flock, -1}},
};

static atomic_long seen;
static long fail_at;
static int fail_on, fail_errno, counting_malloc, count_fd = -1, probe_fd = -1;
static const call_class *chosen;

static int is_chosen(long number)
{
    for (int i = 0; chosen != NULL && chosen->numbers[i] >= 0; i++)
        if (chosen->numbers[i] == number)
            return 1;
    return 0;
}

static int falls_due(void)
{
    long n = atomic_fetch_add(&seen, 1) + 1;
    return fail_at > 0 && (n == fail_at || (fail_on && n > fail_at));
}

/* ---- the probe ---- */

static void note(const char *what, long result)
{
    char line[200];
    int bytes = snprintf(line, sizeof line, "%s %ld\n", what, result < 0 ? -result : 0);
    (void)pass(SYS_write, probe_fd, (long)line, bytes, 0, 0, 0);
}

static void try_file(const char *what, const char *path)
{
    long fd = pass(SYS_openat, AT_FDCWD, (long)path, O_WRONLY | O_CREAT, 0600, 0, 0);
    note(what, fd);
    if (fd >= 0) {
        (void)pass(SYS_close, fd, 0, 0, 0, 0, 0);
        (void)pass(SYS_unlink, (long)path, 0, 0, 0, 0, 0);
    }
}

static void probe(void)
{
    static const char *const arguments[] = {"/bin/true", NULL};
    static atomic_int done;
    if (atomic_exchange(&done, 1) != 0)
        return;
    note("socket", pass(SYS_socket, AF_INET, SOCK_STREAM, 0, 0, 0, 0));
    note("local-socket", pass(SYS_socket, AF_UNIX, SOCK_STREAM, 0, 0, 0, 0));
    note("execve", pass(SYS_execve, (long)arguments[0], (long)arguments, 0, 0, 0, 0));
    note("ptrace", pass(SYS_ptrace, 0, 0, 0, 0, 0, 0));
    note("kill", pass(SYS_kill, pass(SYS_getppid, 0, 0, 0, 0, 0, 0), 0, 0, 0, 0, 0));
    note("fork", pass(SYS_fork, 0, 0, 0, 0, 0, 0));
    if (getenv("FAULT_OUTSIDE") != NULL)
        try_file("outside", getenv("FAULT_OUTSIDE"));
    if (getenv("FAULT_INSIDE") != NULL)
        try_file("inside", getenv("FAULT_INSIDE"));
}

/* ---- system calls ---- */

static void on_call(int signal_number, siginfo_t *info, void *context)
{
    greg_t *r = ((ucontext_t *)context)->uc_mcontext.gregs;
    long number = info->si_syscall, result;
    int saved = errno;
    (void)signal_number;
    if (probe_fd >= 0 && number == SYS_fsync)
        probe();
    /* The program's own sentences must get through, and this shim's marks. */
    int counted = is_chosen(number) &&
                  !((number == SYS_write || number == SYS_writev) && r[REG_RDI] == STDERR_FILENO) &&
                  !(number == SYS_read && r[REG_RDI] < FIRST_FILE);
    int due = counted && falls_due();
    if (due && fail_errno == 0)
        result = pass(number, r[REG_RDI], r[REG_RSI], (r[REG_RDX] + 1) / 2, r[REG_R10], r[REG_R8], r[REG_R9]);
    else
        result = due && number != SYS_close
                     ? number == SYS_brk ? pass(SYS_brk, 0, 0, 0, 0, 0, 0) : -fail_errno
                     : pass(number, r[REG_RDI], r[REG_RSI], r[REG_RDX], r[REG_R10], r[REG_R8], r[REG_R9]);
    if (due && number == SYS_close) /* closed all the same, as Linux does */
        result = -fail_errno;
    r[REG_RAX] = result;
    errno = saved;
}

static void add(struct sock_filter *filter, size_t *count, struct sock_filter step)
{
    filter[(*count)++] = step;
}

static void catch_calls(void)
{
    static struct sock_filter filter[64];
    size_t n = 0;
    uint64_t begin = (uint64_t)(uintptr_t)&pass, end = (uint64_t)(uintptr_t)pass_end;
    struct sigaction action = {.sa_sigaction = on_call, .sa_flags = SA_SIGINFO | SA_NODEFER};
    add(filter, &n, (struct sock_filter)BPF_STMT(BPF_LD | BPF_W | BPF_ABS, offsetof(struct seccomp_data, nr)));
    int numbers[CALLS_MOST + 1], count = 0;
    for (int i = 0; chosen != NULL && chosen->numbers[i] >= 0; i++)
        numbers[count++] = chosen->numbers[i];
    if (probe_fd >= 0)
        numbers[count++] = SYS_fsync;
    for (int i = 0; i < count; i++) /* to the look at where it comes from, behind these steps and the one that allows */
        add(filter, &n,
            (struct sock_filter)BPF_JUMP(BPF_JMP | BPF_JEQ | BPF_K, (uint32_t)numbers[i], (uint8_t)(count - i), 0));
    add(filter, &n, (struct sock_filter)BPF_STMT(BPF_RET | BPF_K, SECCOMP_RET_ALLOW));
    /* `pass` lies within one 4 GiB page of addresses: high words equal, low word between its ends. */
    add(filter, &n,
        (struct sock_filter)BPF_STMT(BPF_LD | BPF_W | BPF_ABS, offsetof(struct seccomp_data, instruction_pointer) + 4));
    add(filter, &n, (struct sock_filter)BPF_JUMP(BPF_JMP | BPF_JEQ | BPF_K, (uint32_t)(begin >> 32), 0, 4));
    add(filter, &n,
        (struct sock_filter)BPF_STMT(BPF_LD | BPF_W | BPF_ABS, offsetof(struct seccomp_data, instruction_pointer)));
    add(filter, &n, (struct sock_filter)BPF_JUMP(BPF_JMP | BPF_JGE | BPF_K, (uint32_t)begin, 0, 2));
    add(filter, &n, (struct sock_filter)BPF_JUMP(BPF_JMP | BPF_JGT | BPF_K, (uint32_t)end, 1, 0));
    add(filter, &n, (struct sock_filter)BPF_STMT(BPF_RET | BPF_K, SECCOMP_RET_ALLOW));
    add(filter, &n, (struct sock_filter)BPF_STMT(BPF_RET | BPF_K, SECCOMP_RET_TRAP));
    struct sock_fprog program = {.len = (unsigned short)n, .filter = filter};
    if (sigaction(SIGSYS, &action, NULL) != 0 || prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0 ||
        prctl(PR_SET_SECCOMP, SECCOMP_MODE_FILTER, &program, 0, 0) != 0) {
        (void)!write(STDERR_FILENO, "fault: no filter\n", 17);
        _exit(99);
    }
}

/* ---- allocations ---- */

/* FFTW's planner ends the program when it gets no memory, and libtiff (4.5) crashes over directories it has none for:
 * nothing can be learnt from refusing them a little. */
enum { CODES = 2, LITTLE_BYTES = 64 << 10 };
static const char *const names[CODES] = {"libfftw3f", "libtiff"};
static uintptr_t begins[CODES], ends[CODES];

static int find_code(struct dl_phdr_info *info, size_t bytes, void *unused)
{
    int code = 0;
    (void)bytes, (void)unused;
    while (code < CODES && (info->dlpi_name == NULL || strstr(info->dlpi_name, names[code]) == NULL))
        code++;
    if (code == CODES)
        return 0;
    for (int i = 0; i < info->dlpi_phnum; i++)
        if (info->dlpi_phdr[i].p_type == PT_LOAD && (info->dlpi_phdr[i].p_flags & PF_X) != 0) {
            begins[code] = info->dlpi_addr + info->dlpi_phdr[i].p_vaddr;
            ends[code] = begins[code] + info->dlpi_phdr[i].p_memsz;
        }
    return 0;
}

static int is_spared(uintptr_t caller, size_t bytes)
{
    for (int code = 0; code < CODES; code++)
        if (caller >= begins[code] && caller < ends[code])
            return bytes <= LITTLE_BYTES;
    return 0;
}

extern void *__libc_malloc(size_t bytes);
extern void *__libc_calloc(size_t count, size_t bytes);
extern void *__libc_realloc(void *block, size_t bytes);
extern void *__libc_memalign(size_t boundary, size_t bytes);

static int refused(const void *caller, size_t bytes)
{
    if (!counting_malloc || is_spared((uintptr_t)caller, bytes) || !falls_due())
        return 0;
    errno = ENOMEM;
    return 1;
}

void *malloc(size_t bytes)
{
    return refused(__builtin_return_address(0), bytes) ? NULL : __libc_malloc(bytes);
}

void *calloc(size_t count, size_t bytes)
{
    return refused(__builtin_return_address(0), bytes) ? NULL : __libc_calloc(count, bytes);
}

void *realloc(void *block, size_t bytes)
{
    return refused(__builtin_return_address(0), bytes) ? NULL : __libc_realloc(block, bytes);
}

void *memalign(size_t boundary, size_t bytes)
{
    return refused(__builtin_return_address(0), bytes) ? NULL : __libc_memalign(boundary, bytes);
}

void *aligned_alloc(size_t boundary, size_t bytes)
{
    return refused(__builtin_return_address(0), bytes) ? NULL : __libc_memalign(boundary, bytes);
}

int posix_memalign(void **block, size_t boundary, size_t bytes)
{
    *block = refused(__builtin_return_address(0), bytes) ? NULL : __libc_memalign(boundary, bytes);
    return *block == NULL ? ENOMEM : 0;
}

/* ---- begin and end ---- */

static int open_of(const char *name)
{
    const char *path = getenv(name);
    return path == NULL ? -1 : open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
}

__attribute__((constructor)) static void begin(void)
{
    const char *call = getenv("FAULT_CALL"), *at = getenv("FAULT_AT"), *on = getenv("FAULT_ON");
    const char *error = getenv("FAULT_ERROR");
    count_fd = open_of("FAULT_COUNT");
    probe_fd = open_of("FAULT_PROBE");
    fail_at = at != NULL ? atol(at) : 0;
    fail_on = on != NULL && *on == '1';
    fail_errno = error != NULL ? atoi(error) : EIO;
    for (size_t i = 0; call != NULL && i < sizeof classes / sizeof *classes; i++)
        if (strcmp(classes[i].name, call) == 0)
            chosen = &classes[i];
    if (chosen != NULL || probe_fd >= 0)
        catch_calls();
    (void)dl_iterate_phdr(find_code, NULL);
    counting_malloc = call != NULL && strcmp(call, "malloc") == 0;
}

__attribute__((destructor)) static void end(void)
{
    char line[32];
    int bytes = snprintf(line, sizeof line, "%ld\n", atomic_load(&seen));
    if (count_fd >= 0)
        (void)pass(SYS_write, count_fd, (long)line, bytes, 0, 0, 0);
}

#else
extern int fault_knows_no_registers_but_those_of_x86_64;
#endif
