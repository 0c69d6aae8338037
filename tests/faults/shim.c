/* Stands between a program and the system (LD_PRELOAD) and lets the disk fail at a chosen moment.
 *
 * Only what touches files under FAULT_UNDER counts. With FAULT_AT=N the N-th call does FAULT_DO:
 *   enospc eio eintr       fails with that error, nothing done
 *   short                  writes half of what was asked, and says so
 *   torn                   writes half, then fails with EIO
 *   full                   this and every later call that needs room fails with ENOSPC
 *   dead                   this and every later call fails with EIO
 *   kill-before kill-middle kill-after   the process is killed: before, with half written, after
 *   slow                   this and every later flush takes FAULT_SLOW_MS
 * Every counted call is a line of FAULT_LOG: number, name, path. */
#define _GNU_SOURCE
#pragma GCC diagnostic ignored "-Wformat-truncation"
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum what { NONE, FAIL, SHORT, TORN, FULL, DEAD, BEFORE, MIDDLE, AFTER, SLOW };
enum kind { ROOM, WRITE, FLUSH, OTHER };

static const char *under;
static size_t under_length;
static long at;
static enum what what;
static int error_number;
static long slow_ms;
static int log_fd = -1;
static atomic_long counted;

static void die(void) {
    kill(getpid(), SIGKILL);
    for (;;) pause();
}

__attribute__((constructor)) static void begin(void) {
    static const struct { const char *name; enum what what; int error; } all[] = {
        {"enospc", FAIL, ENOSPC}, {"eio", FAIL, EIO}, {"eintr", FAIL, EINTR}, {"short", SHORT, 0},
        {"torn", TORN, EIO}, {"full", FULL, ENOSPC}, {"dead", DEAD, EIO}, {"kill-before", BEFORE, 0},
        {"kill-middle", MIDDLE, 0}, {"kill-after", AFTER, 0}, {"slow", SLOW, 0},
    };
    const char *asked = getenv("FAULT_DO"), *number = getenv("FAULT_AT"), *log = getenv("FAULT_LOG");
    const char *ms = getenv("FAULT_SLOW_MS");
    slow_ms = ms ? atol(ms) : 0;
    at = number ? atol(number) : 0;
    for (size_t i = 0; asked && i < sizeof all / sizeof *all; i++)
        if (!strcmp(asked, all[i].name)) what = all[i].what, error_number = all[i].error;
    if (log) log_fd = (int)syscall(SYS_openat, AT_FDCWD, log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    under = getenv("FAULT_UNDER");
    under_length = under ? strlen(under) : 0;
}

static int is_under(const char *path) {
    return under && !strncmp(path, under, under_length) && (path[under_length] == '/' || !path[under_length]);
}

static int path_of(int fd, char *path) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, PATH_MAX - 1);
    path[n < 0 ? 0 : n] = 0;
    return n > 0 && is_under(path);
}

static int full_path(const char *given, char *path) {
    if (*given == '/') {
        snprintf(path, PATH_MAX, "%s", given);
    } else {
        char here[PATH_MAX];
        if (!getcwd(here, sizeof here)) return 0;
        snprintf(path, PATH_MAX, "%s/%s", here, given);
    }
    return is_under(path);
}

/* Counts a call. What is to be done with it. */
static enum what count(const char *name, const char *path, enum kind kind) {
    int kept = errno;
    long n = atomic_fetch_add(&counted, 1) + 1;
    if (log_fd >= 0) {
        char line[PATH_MAX + 64];
        int length = snprintf(line, sizeof line, "%ld %s %s\n", n, name, path);
        syscall(SYS_write, log_fd, line, (size_t)length);
    }
    errno = kept;
    if (!at || n < at) return NONE;
    switch (what) {
    case SLOW:
        if (kind == FLUSH) {
            struct timespec t = {slow_ms / 1000, slow_ms % 1000 * 1000000};
            nanosleep(&t, NULL);
        }
        return NONE;
    case DEAD: return FAIL;
    case FULL: return kind == ROOM || kind == WRITE ? FAIL : NONE;
    default: break;
    }
    if (n != at) return NONE;
    if (what == BEFORE) die();
    /* What no system does is not tried: these calls are not cut short, nor interrupted. */
    if (kind != WRITE && (what == SHORT || what == TORN)) return NONE;
    if (what == FAIL && error_number == EINTR && kind == OTHER) return NONE;
    if (kind != WRITE && what == MIDDLE) die();
    return what;
}

#define REAL(type, name, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type(*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)
#define AROUND(call, doing, otherwise) \
    do { \
        enum what now = (doing); \
        if (now == FAIL) return errno = error_number, (otherwise); \
        __typeof__(call) got = (call); \
        if (now == AFTER) die(); \
        return got; \
    } while (0)
/* A write of n bytes: `half` writes the first half of them. */
#define WRITING(name, path, half, whole) \
    do { \
        enum what now = count(name, path, WRITE); \
        if (now == FAIL) return errno = error_number, -1; \
        if (now == SHORT || now == TORN || now == MIDDLE) { \
            ssize_t got = (half); \
            if (now == MIDDLE) die(); \
            if (now == TORN) return errno = EIO, -1; \
            return got; \
        } \
        ssize_t got = (whole); \
        if (now == AFTER) die(); \
        return got; \
    } while (0)

ssize_t write(int fd, const void *bytes, size_t n) {
    REAL(ssize_t, "write", int, const void *, size_t);
    char path[PATH_MAX];
    if (!path_of(fd, path)) return real(fd, bytes, n);
    WRITING("write", path, real(fd, bytes, n > 1 ? n / 2 : n), real(fd, bytes, n));
}

ssize_t writev(int fd, const struct iovec *v, int many) {
    REAL(ssize_t, "writev", int, const struct iovec *, int);
    char path[PATH_MAX];
    if (!path_of(fd, path)) return real(fd, v, many);
    WRITING("writev", path, real(fd, v, many > 1 ? many / 2 : many), real(fd, v, many));
}

#define PWRITE(name, offset_type) \
    ssize_t name(int fd, const void *bytes, size_t n, offset_type from) { \
        REAL(ssize_t, #name, int, const void *, size_t, offset_type); \
        char path[PATH_MAX]; \
        if (!path_of(fd, path)) return real(fd, bytes, n, from); \
        WRITING("pwrite", path, real(fd, bytes, n > 1 ? n / 2 : n, from), real(fd, bytes, n, from)); \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define TRUNCATE(name, offset_type) \
    int name(int fd, offset_type length) { \
        REAL(int, #name, int, offset_type); \
        char path[PATH_MAX]; \
        if (!path_of(fd, path)) return real(fd, length); \
        AROUND(real(fd, length), count("ftruncate", path, ROOM), -1); \
    }
TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

#define SYNC(name) \
    int name(int fd) { \
        REAL(int, #name, int); \
        char path[PATH_MAX]; \
        if (!path_of(fd, path)) return real(fd); \
        AROUND(real(fd), count("sync", path, FLUSH), -1); \
    }
SYNC(fsync)
SYNC(fdatasync)

#define OPEN(name) \
    int name(const char *given, int flags, ...) { \
        REAL(int, #name, const char *, int, ...); \
        va_list more; \
        va_start(more, flags); \
        mode_t mode = flags & (O_CREAT | __O_TMPFILE) ? va_arg(more, mode_t) : 0; \
        va_end(more); \
        char path[PATH_MAX]; \
        if (!(flags & O_CREAT) || !full_path(given, path)) return real(given, flags, mode); \
        AROUND(real(given, flags, mode), count("create", path, ROOM), -1); \
    }
OPEN(open)
OPEN(open64)

int rename(const char *from, const char *to) {
    REAL(int, "rename", const char *, const char *);
    char path[PATH_MAX];
    if (!full_path(to, path)) return real(from, to);
    AROUND(real(from, to), count("rename", path, OTHER), -1);
}

int unlink(const char *given) {
    REAL(int, "unlink", const char *);
    char path[PATH_MAX];
    if (!full_path(given, path)) return real(given);
    AROUND(real(given), count("unlink", path, OTHER), -1);
}

int mkdir(const char *given, mode_t mode) {
    REAL(int, "mkdir", const char *, mode_t);
    char path[PATH_MAX];
    if (!full_path(given, path)) return real(given, mode);
    AROUND(real(given, mode), count("mkdir", path, ROOM), -1);
}
