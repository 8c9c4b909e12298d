/* confine.c - Landlock and seccomp by their raw system calls (Documentation/userspace-api/landlock.rst and
 * seccomp_filter.rst of the Linux kernel). */
#define _GNU_SOURCE /* syscall, O_PATH */
#include "cli/confine.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#if defined(__has_feature)
#define UNDER_SANITIZER (__has_feature(address_sanitizer) || __has_feature(thread_sanitizer))
#elif defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define UNDER_SANITIZER 1 /* the leak checker traces the process from one that it starts */
#else
#define UNDER_SANITIZER 0
#endif

#if defined(__linux__) && (defined(__x86_64__) || defined(__aarch64__)) && !UNDER_SANITIZER

#include <errno.h>
#include <fcntl.h>
#include <linux/audit.h>
#include <linux/filter.h>
#include <linux/sched.h>
#include <linux/seccomp.h>
#include <stddef.h>
#include <sys/prctl.h>
#include <sys/syscall.h>

/* ---- files: Landlock; numbers and layouts of linux/landlock.h, which older systems do not have ---- */

enum { LANDLOCK_CREATE = 444, LANDLOCK_ADD = 445, LANDLOCK_RESTRICT = 446, ASK_VERSION = 1, PATH_BENEATH = 1 };
enum {
    MAY_EXECUTE = 1 << 0,
    MAY_WRITE_FILE = 1 << 1,
    MAY_READ = 1 << 2 | 1 << 3, /* files and folders: not restricted */
    MAY_REMOVE_FILE = 1 << 5,
    MAY_MAKE_FOLDER = 1 << 7,
    MAY_MAKE_FILE = 1 << 8,
    MAY_MOVE = 1 << 13,     /* since version 2, from one folder to another */
    MAY_TRUNCATE = 1 << 14, /* since version 3 */
    OUTPUT_RIGHTS = MAY_WRITE_FILE | MAY_REMOVE_FILE | MAY_MAKE_FOLDER | MAY_MAKE_FILE | MAY_MOVE | MAY_TRUNCATE
};

typedef struct landlock_rules {
    uint64_t files, net, scope; /* what is forbidden unless a rule allows it; the last two since versions 4 and 6 */
} landlock_rules;

typedef struct __attribute__((packed)) landlock_beneath {
    uint64_t allowed;
    int32_t folder;
} landlock_beneath;

static int allow_folder(int rules, uint64_t forbidden, const char *path)
{
    char folder[4096] = ".";
    const char *slash = strrchr(path, '/');
    size_t bytes = slash == NULL ? 0 : (size_t)(slash - path) + 1;
    if (bytes >= sizeof folder)
        return 0;
    if (bytes > 0) {
        memcpy(folder, path, bytes);
        folder[bytes] = '\0';
    }
    int fd = open(folder, O_PATH | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return 0;
    landlock_beneath rule = {OUTPUT_RIGHTS & forbidden, fd};
    int done = syscall(LANDLOCK_ADD, rules, PATH_BENEATH, &rule, 0) == 0;
    (void)close(fd);
    return done;
}

static int confine_files(const rf_destination *outputs, int count)
{
    static const int bits[] = {0, 13, 14, 15, 15, 16, 16}; /* access rights known to version n */
    long version = syscall(LANDLOCK_CREATE, NULL, 0, ASK_VERSION);
    if (version < 1)
        return 0;
    landlock_rules wanted = {.files = ((uint64_t)1 << bits[version < 6 ? version : 6]) - 1};
    wanted.files &= ~(uint64_t)MAY_READ;
    wanted.net = version >= 4 ? 3 : 0;   /* bind and connect */
    wanted.scope = version >= 6 ? 3 : 0; /* abstract sockets and signals of others */
    size_t bytes = version >= 6 ? 24 : version >= 4 ? 16 : 8;
    int rules = (int)syscall(LANDLOCK_CREATE, &wanted, bytes, 0);
    if (rules < 0)
        return 0;
    int good = 1;
    for (int i = 0; i < count; i++)
        if (outputs[i].path != NULL && strcmp(outputs[i].path, "-") != 0)
            good = good && allow_folder(rules, wanted.files, outputs[i].path);
    good = good && syscall(LANDLOCK_RESTRICT, rules, 0) == 0;
    (void)close(rules);
    return good;
}

/* ---- calls: seccomp. Sockets, programs, processes, other processes' memory and signals; what changes files past
 * Landlock (modes, owners, attributes, times); what enters the kernel by other doors. ---- */

static const int refused[] = {
    SYS_socket,
    SYS_socketpair,
    SYS_connect,
    SYS_bind,
    SYS_listen,
    SYS_accept,
    SYS_accept4,
    SYS_execve,
    SYS_execveat,
    SYS_ptrace,
    SYS_process_vm_readv,
    SYS_process_vm_writev,
    SYS_kill,
    SYS_rt_sigqueueinfo,
    SYS_rt_tgsigqueueinfo,
    SYS_mount,
    SYS_umount2,
    SYS_pivot_root,
    SYS_chroot,
    SYS_unshare,
    SYS_setns,
    SYS_bpf,
    SYS_perf_event_open,
    SYS_userfaultfd,
    SYS_keyctl,
    SYS_add_key,
    SYS_request_key,
    SYS_init_module,
    SYS_finit_module,
    SYS_delete_module,
    SYS_kexec_load,
    SYS_open_by_handle_at,
    SYS_mknodat,
    SYS_setuid,
    SYS_setgid,
    SYS_setreuid,
    SYS_setregid,
    SYS_setresuid,
    SYS_setresgid,
    SYS_setgroups,
    SYS_capset,
    SYS_personality,
    SYS_reboot,
    SYS_swapon,
    SYS_swapoff,
    SYS_fchmod,
    SYS_fchmodat,
    SYS_fchown,
    SYS_fchownat,
    SYS_setxattr,
    SYS_lsetxattr,
    SYS_fsetxattr,
    SYS_removexattr,
    SYS_lremovexattr,
    SYS_fremovexattr,
    SYS_utimensat,
    SYS_sendmsg,
    SYS_sendto,
    SYS_recvmsg,
    SYS_recvfrom,
#ifdef SYS_fork
    SYS_fork,
    SYS_vfork,
    SYS_mknod,
    SYS_chmod,
    SYS_chown,
    SYS_lchown,
    SYS_utime,
    SYS_utimes,
    SYS_futimesat,
#endif
#ifdef SYS_io_uring_setup
    SYS_io_uring_setup,
#endif
#ifdef SYS_pidfd_send_signal
    SYS_pidfd_send_signal,
#endif
};

enum { REFUSED = sizeof refused / sizeof *refused, STEPS_MOST = REFUSED + 24 };

#if defined(__x86_64__)
enum { ARCHITECTURE = (int)AUDIT_ARCH_X86_64, CALLS_END = 0x40000000 }; /* beyond: the x32 interface */
#else
enum { ARCHITECTURE = (int)AUDIT_ARCH_AARCH64, CALLS_END = 0x7fffffff };
#endif

#define STEP(code, k) (struct sock_filter) BPF_STMT((uint16_t)(code), (uint32_t)(k))
#define JUMP(test, k, yes, no)                                                                                         \
    (struct sock_filter) BPF_JUMP((uint16_t)(BPF_JMP | (test) | BPF_K), (uint32_t)(k), (uint8_t)(yes), (uint8_t)(no))
#define LOAD(field) STEP(BPF_LD | BPF_W | BPF_ABS, offsetof(struct seccomp_data, field))
#define RETURN(what) STEP(BPF_RET | BPF_K, what)

static int confine_calls(void)
{
    struct sock_filter steps[STEPS_MOST];
    unsigned n = 0;
    steps[n++] = LOAD(arch);
    steps[n++] = JUMP(BPF_JEQ, ARCHITECTURE, 1, 0);
    steps[n++] = RETURN(SECCOMP_RET_ERRNO | EPERM);
    steps[n++] = LOAD(nr);
    steps[n++] = JUMP(BPF_JGE, CALLS_END, 0, 1);
    steps[n++] = RETURN(SECCOMP_RET_ERRNO | EPERM);
#ifdef SYS_clone3
    steps[n++] = JUMP(BPF_JEQ, SYS_clone3, 0, 1); /* its flags lie in memory; without it threads are made by clone */
    steps[n++] = RETURN(SECCOMP_RET_ERRNO | ENOSYS);
#endif
    for (unsigned i = 0; i < REFUSED; i++)
        steps[n++] = JUMP(BPF_JEQ, refused[i], REFUSED - i + 3, 0); /* to the last step */
    steps[n++] = JUMP(BPF_JEQ, SYS_clone, 0, 2);                    /* threads only */
    steps[n++] = STEP(BPF_LD | BPF_W | BPF_ABS, offsetof(struct seccomp_data, args[0]));
    steps[n++] = JUMP(BPF_JSET, CLONE_THREAD, 0, 1);
    steps[n++] = RETURN(SECCOMP_RET_ALLOW);
    steps[n++] = RETURN(SECCOMP_RET_ERRNO | EPERM);
    struct sock_fprog program = {.len = (unsigned short)n, .filter = steps};
    return prctl(PR_SET_SECCOMP, SECCOMP_MODE_FILTER, &program, 0, 0) == 0;
}

int rf_confine(const rf_destination *outputs, int count)
{
    const char *wanted = getenv("RAILFOLD_CONFINE");
    int on = 0;
    if ((wanted != NULL && strcmp(wanted, "0") == 0) || prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0)
        return 0;
    on |= confine_files(outputs, count) ? RF_CONFINED_FILES : 0;
    on |= confine_calls() ? RF_CONFINED_CALLS : 0;
    return on;
}

#else

int rf_confine(const rf_destination *outputs, int count)
{
    (void)outputs, (void)count;
    return 0;
}

#endif
