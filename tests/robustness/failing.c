/* Preloaded into a process, this makes reads, writes or flushes of one file fail from some byte on.

   FAILING names a text file: name within the file's name, what fails (r, w or s), byte, errno, and a file that is made
   when it happens.  It is read once by every process, so that a forked one has its own.  Plain system calls are used
   to look at it, as the functions here would else call themselves. */

#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/sendfile.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

static pid_t known_for;
static char name[256], mark[4096], what;
static long long from;
static int number;

static void look(void) {
    if (known_for == getpid()) return;
    char text[8192] = {0};
    what = 0;
    const char *path = getenv("FAILING");
    long fd = path ? syscall(SYS_openat, AT_FDCWD, path, O_RDONLY) : -1;
    if (fd >= 0) {
        if (syscall(SYS_read, fd, text, sizeof text - 1) > 0)
            if (sscanf(text, "%255[^\n]\n%c\n%lld\n%d\n%4095[^\n]", name, &what, &from, &number, mark) != 5) what = 0;
        syscall(SYS_close, fd);
    }
    known_for = getpid();
}

static int is_it(int fd, char op) {
    look();
    if (what != op) return 0;
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n <= 0) return 0;
    path[n] = 0;
    const char *last = strrchr(path, '/');
    return last && strstr(last, name) != NULL;
}

static int fail(void) {
    long fd = syscall(SYS_openat, AT_FDCWD, mark, O_WRONLY | O_CREAT, 0644);
    if (fd >= 0) syscall(SYS_close, fd);
    errno = number;
    return -1;
}

/* Bytes that still go well from a place in the file on; none: it fails now. */
static long long left(int fd, off_t at) {
    if (at < 0) at = lseek(fd, 0, SEEK_CUR);
    return at < 0 || at >= from ? 0 : from - at;
}

#define REAL(f) static __typeof__(f) *real; if (!real) *(void **)&real = dlsym(RTLD_NEXT, #f)
#define BOUND(op, at) if (n && is_it(fd, op)) { long long l = left(fd, at); if (!l) return fail(); if ((long long)n > l) n = l; }

ssize_t read(int fd, void *b, size_t n) { REAL(read); BOUND('r', -1) return real(fd, b, n); }
ssize_t write(int fd, const void *b, size_t n) { REAL(write); BOUND('w', -1) return real(fd, b, n); }
ssize_t pread(int fd, void *b, size_t n, off_t at) { REAL(pread); BOUND('r', at) return real(fd, b, n, at); }
ssize_t pread64(int fd, void *b, size_t n, off64_t at) { REAL(pread64); BOUND('r', at) return real(fd, b, n, at); }
ssize_t pwrite(int fd, const void *b, size_t n, off_t at) { REAL(pwrite); BOUND('w', at) return real(fd, b, n, at); }
ssize_t pwrite64(int fd, const void *b, size_t n, off64_t at) { REAL(pwrite64); BOUND('w', at) return real(fd, b, n, at); }
int fsync(int fd) { REAL(fsync); if (is_it(fd, 's')) return fail(); return real(fd); }

static int copying(int out, int in, off_t *at) {
    if (is_it(out, 'w')) return 1;
    return is_it(in, 'r') && !left(in, at ? *at : -1);
}

ssize_t sendfile(int out, int in, off_t *at, size_t n) {
    REAL(sendfile);
    if (copying(out, in, at)) return fail();
    if (is_it(in, 'r') && (long long)n > left(in, at ? *at : -1)) n = left(in, at ? *at : -1);
    return real(out, in, at, n);
}
ssize_t sendfile64(int out, int in, off64_t *at, size_t n) { return sendfile(out, in, (off_t *)at, n); }
ssize_t copy_file_range(int in, off64_t *a, int out, off64_t *b, size_t n, unsigned flags) {
    errno = EXDEV; /* the caller falls back on reading and writing */
    return -1;
}
