/* Records what a process does to the files of one folder, in order. Built and preloaded by power_cut.py.
 *
 * Each record in $RECORD_LOG: one byte (the operation), then int32 fd, int64 offset, int64 length, and `length` bytes.
 * o open (offset 1: it made the file; bytes: path)   c close   w write   t truncate (offset: new size)
 * s sync   u unlink (bytes: path)   r rename (bytes: old path, zero byte, new path)
 * One lock is held over an operation and its record, so that the log has the order of the operations.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define MOST_FDS 4096
static pthread_mutex_t turn = PTHREAD_MUTEX_INITIALIZER;
static char watched[MOST_FDS];
static const char *folder;
static int log_fd = -1;

#define REAL(name, result, ...) \
    static result (*real)(__VA_ARGS__); \
    if (!real) real = (result(*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

static ssize_t raw_write(int fd, const void *bytes, size_t n) {
    REAL("write", ssize_t, int, const void *, size_t);
    return real(fd, bytes, n);
}

static void record(char op, int fd, int64_t offset, const void *bytes, int64_t n) {
    char head[21];
    int32_t fd32 = fd;
    head[0] = op;
    memcpy(head + 1, &fd32, 4);
    memcpy(head + 5, &offset, 8);
    memcpy(head + 13, &n, 8);
    if (raw_write(log_fd, head, sizeof head) != (ssize_t)sizeof head) abort();
    if (n && raw_write(log_fd, bytes, n) != n) abort();
}

__attribute__((constructor)) static void start(void) {
    const char *name = getenv("RECORD_LOG");
    const char *in = getenv("RECORD_FOLDER");
    int (*real)(const char *, int, ...) = (int (*)(const char *, int, ...))dlsym(RTLD_NEXT, "open");
    if (name && in) {
        log_fd = real(name, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
        folder = in;
    }
}

static int inside(const char *path) {
    size_t n;
    if (log_fd < 0 || !path) return 0;
    n = strlen(folder);
    return !strncmp(path, folder, n) && (path[n] == '/' || path[n] == 0);
}

static int known(int fd) { return log_fd >= 0 && fd >= 0 && fd < MOST_FDS && watched[fd]; }

static void opened(int fd, const char *path, int was_there) {
    if (fd < 0) return;
    if (fd >= MOST_FDS) abort();
    watched[fd] = 1;
    record('o', fd, !was_there, path, strlen(path));
}

#define OPEN(name) \
    int name(const char *path, int flags, ...) { \
        va_list more; mode_t mode = 0; int fd, there; \
        REAL(#name, int, const char *, int, ...); \
        va_start(more, flags); if (flags & O_CREAT) mode = va_arg(more, mode_t); va_end(more); \
        if (!inside(path)) return real(path, flags, mode); \
        pthread_mutex_lock(&turn); \
        there = !access(path, F_OK); \
        fd = real(path, flags, mode); \
        opened(fd, path, there); \
        if (fd >= 0 && there && (flags & O_TRUNC)) record('t', fd, 0, "", 0); \
        pthread_mutex_unlock(&turn); \
        return fd; \
    }
OPEN(open)
OPEN(open64)

#define OPENAT(name) \
    int name(int at, const char *path, int flags, ...) { \
        va_list more; mode_t mode = 0; int fd, there; \
        REAL(#name, int, int, const char *, int, ...); \
        va_start(more, flags); if (flags & O_CREAT) mode = va_arg(more, mode_t); va_end(more); \
        if (!inside(path)) return real(at, path, flags, mode); \
        pthread_mutex_lock(&turn); \
        there = !access(path, F_OK); \
        fd = real(at, path, flags, mode); \
        opened(fd, path, there); \
        if (fd >= 0 && there && (flags & O_TRUNC)) record('t', fd, 0, "", 0); \
        pthread_mutex_unlock(&turn); \
        return fd; \
    }
OPENAT(openat)
OPENAT(openat64)

int close(int fd) {
    int done;
    REAL("close", int, int);
    if (!known(fd)) return real(fd);
    pthread_mutex_lock(&turn);
    watched[fd] = 0;
    record('c', fd, 0, "", 0);
    done = real(fd);
    pthread_mutex_unlock(&turn);
    return done;
}

ssize_t write(int fd, const void *bytes, size_t n) {
    ssize_t done;
    struct stat about;
    off_t at;
    if (!known(fd)) return raw_write(fd, bytes, n);
    pthread_mutex_lock(&turn);
    at = lseek(fd, 0, SEEK_CUR);
    if (fcntl(fd, F_GETFL) & O_APPEND && !fstat(fd, &about)) at = about.st_size;
    done = raw_write(fd, bytes, n);
    if (done > 0) record('w', fd, at, bytes, done);
    pthread_mutex_unlock(&turn);
    return done;
}

#define PWRITE(name, offset_t) \
    ssize_t name(int fd, const void *bytes, size_t n, offset_t at) { \
        ssize_t done; \
        REAL(#name, ssize_t, int, const void *, size_t, offset_t); \
        if (!known(fd)) return real(fd, bytes, n, at); \
        pthread_mutex_lock(&turn); \
        done = real(fd, bytes, n, at); \
        if (done > 0) record('w', fd, at, bytes, done); \
        pthread_mutex_unlock(&turn); \
        return done; \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define TRUNCATE(name, offset_t) \
    int name(int fd, offset_t size) { \
        int done; \
        REAL(#name, int, int, offset_t); \
        if (!known(fd)) return real(fd, size); \
        pthread_mutex_lock(&turn); \
        done = real(fd, size); \
        if (!done) record('t', fd, size, "", 0); \
        pthread_mutex_unlock(&turn); \
        return done; \
    }
TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

#define SYNC(name) \
    int name(int fd) { \
        int done; \
        REAL(#name, int, int); \
        if (!known(fd)) return real(fd); \
        pthread_mutex_lock(&turn); \
        done = real(fd); \
        if (!done) record('s', fd, 0, "", 0); \
        pthread_mutex_unlock(&turn); \
        return done; \
    }
SYNC(fsync)
SYNC(fdatasync)

int unlink(const char *path) {
    int done;
    REAL("unlink", int, const char *);
    if (!inside(path)) return real(path);
    pthread_mutex_lock(&turn);
    done = real(path);
    if (!done) record('u', -1, 0, path, strlen(path));
    pthread_mutex_unlock(&turn);
    return done;
}

int rename(const char *from, const char *to) {
    int done;
    char both[8192];
    size_t n = strlen(from), m = strlen(to);
    REAL("rename", int, const char *, const char *);
    if (!inside(to) || n + m + 1 > sizeof both) return real(from, to);
    pthread_mutex_lock(&turn);
    done = real(from, to);
    memcpy(both, from, n + 1);
    memcpy(both + n + 1, to, m);
    if (!done) record('r', -1, 0, both, n + 1 + m);
    pthread_mutex_unlock(&turn);
    return done;
}
