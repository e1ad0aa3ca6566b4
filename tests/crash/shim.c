/* Stands between a program and the C library at the calls that change files, for one folder's files: it lets them fail
 * as disks do, and writes down what was done, so that what a cut of power may leave can be rebuilt. What it does is said
 * in the environment, or later on by `shim_set`:
 *
 *   SHIM_FOLDER  files below it are meant, all others (and those below its `live`) are left alone
 *   SHIM_RULE    "short"        every write takes half of what it is given (POSIX allows it at any time)
 *                "full A B"     from the A-th to the B-th write the disk is full: half of the first is still taken
 *                "eio A B"      from the A-th to the B-th write or sync: an error of the disk
 *                "erofs A B"    likewise: a file system that was remounted to be read only
 *                "nosync"       syncs say that all is well, and do nothing
 *                "nospace"      no file grows and none is made; what a file has may be written over
 *                "readonly"     remounted to be read only: nothing is written, made, renamed or removed
 *
 * Built by the tests (tests/crash/shim.py).
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/sendfile.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/types.h>
#include <unistd.h>

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

static pthread_mutex_t turn = PTHREAD_MUTEX_INITIALIZER;
static char folder[PATH_MAX], rule[64];
static int begun, recording;
static long count;
static char *record;
static size_t recorded, room;

static void begin(void) {
    const char *in = getenv("SHIM_FOLDER"), *how = getenv("SHIM_RULE");
    if (begun) return;
    begun = 1;
    if (in) snprintf(folder, sizeof folder, "%s", in);
    if (how) snprintf(rule, sizeof rule, "%s", how);
}

/* From now on; counts from 0. `write_down`: what is done goes into the record. */
void shim_set(const char *in, const char *how, int write_down) {
    begun = 1;
    snprintf(folder, sizeof folder, "%s", in);
    snprintf(rule, sizeof rule, "%s", how);
    recording = write_down;
    count = 0;
}

/* The record since the last call. It stands there until the next. */
size_t shim_taken(char **data) {
    static char *given;
    pthread_mutex_lock(&turn);
    free(given);
    *data = given = record;
    size_t size = recorded;
    record = NULL;
    recorded = room = 0;
    pthread_mutex_unlock(&turn);
    return size;
}

static int below(const char *path) {
    size_t size;
    begin();
    size = strlen(folder);
    if (!size || strncmp(path, folder, size)) return 0;
    return !path[size] || (path[size] == '/' && strncmp(path + size, "/live/", 6) && strcmp(path + size, "/live"));
}

/* The path of an open file; 0 where it is not meant. */
static int of(int fd, char *path) {
    char link[64];
    ssize_t size;
    begin();
    if (!folder[0]) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    size = readlink(link, path, PATH_MAX - 1);
    if (size < 0) return 0;
    path[size] = 0;
    return below(path);
}

/* kind, offset, and the lengths of what follows: path, second path, bytes. */
static void note(char kind, const char *path, int64_t at, const char *to, const void *data, size_t size) {
    uint32_t head[3] = {(uint32_t)strlen(path), to ? (uint32_t)strlen(to) : 0, (uint32_t)size};
    size_t more = 1 + sizeof at + sizeof head + head[0] + head[1] + size;
    char *place;
    if (!recording) return;
    pthread_mutex_lock(&turn);
    if (recorded + more > room) record = realloc(record, room = 2 * (recorded + more) + 65536);
    place = record + recorded;
    *place++ = kind;
    memcpy(place, &at, sizeof at), place += sizeof at;
    memcpy(place, head, sizeof head), place += sizeof head;
    memcpy(place, path, head[0]), place += head[0];
    if (to) memcpy(place, to, head[1]), place += head[1];
    if (size) memcpy(place, data, size);
    recorded += more;
    pthread_mutex_unlock(&turn);
}

static int ruled(const char *name) { return !strcmp(rule, name); }

/* How many bytes may be written at a place of a file; -1 with errno set where none. */
static ssize_t allowed(int fd, size_t size, off_t at, int sync) {
    long from = 0, to = 0;
    struct stat found;
    if (!rule[0]) return (ssize_t)size;
    if (ruled("short")) return (ssize_t)(size > 1 ? size / 2 : size);
    if (ruled("readonly") && !sync) {
        errno = EROFS;
        return -1;
    }
    if (ruled("nospace") && !sync && !fstat(fd, &found) && at + (off_t)size > found.st_size) {
        if (at < found.st_size) return (ssize_t)(found.st_size - at);
        errno = ENOSPC;
        return -1;
    }
    long now = __sync_add_and_fetch(&count, 1);
    if (sscanf(rule, "full %ld %ld", &from, &to) == 2 && !sync && now >= from && now < to) {
        if (now == from && size > 1) return (ssize_t)(size / 2);
        errno = ENOSPC;
        return -1;
    }
    if (sscanf(rule, "eio %ld %ld", &from, &to) == 2 && now >= from && now < to) {
        errno = EIO;
        return -1;
    }
    if (sscanf(rule, "erofs %ld %ld", &from, &to) == 2 && !sync && now >= from && now < to) {
        errno = EROFS;
        return -1;
    }
    return (ssize_t)size;
}

ssize_t write(int fd, const void *data, size_t size) {
    char path[PATH_MAX];
    struct stat found;
    if (!of(fd, path)) {
        if (fd == 1) note('o', "", 0, NULL, data, size);
        return REAL(write)(fd, data, size);
    }
    off_t at = fcntl(fd, F_GETFL) & O_APPEND && !fstat(fd, &found) ? found.st_size : lseek(fd, 0, SEEK_CUR);
    ssize_t most = allowed(fd, size, at, 0);
    if (most >= 0) most = REAL(write)(fd, data, (size_t)most);
    if (most > 0) note('w', path, at, NULL, data, (size_t)most);
    return most;
}

static ssize_t put(int fd, const void *data, size_t size, off_t at) {
    char path[PATH_MAX];
    if (!of(fd, path)) return REAL(pwrite64)(fd, data, size, at);
    ssize_t most = allowed(fd, size, at, 0);
    if (most >= 0) most = REAL(pwrite64)(fd, data, (size_t)most, at);
    if (most > 0) note('w', path, at, NULL, data, (size_t)most);
    return most;
}

ssize_t pwrite(int fd, const void *data, size_t size, off_t at) { return put(fd, data, size, at); }
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at) { return put(fd, data, size, at); }

/* The program then copies by reading and writing. */
ssize_t sendfile(int to, int from, off_t *at, size_t size) {
    char path[PATH_MAX];
    if (!of(to, path)) return REAL(sendfile)(to, from, at, size);
    errno = EINVAL;
    return -1;
}

ssize_t sendfile64(int to, int from, off64_t *at, size_t size) { return sendfile(to, from, (off_t *)at, size); }

static int cut(int fd, off_t size) {
    char path[PATH_MAX];
    int meant = of(fd, path);
    if (meant && allowed(fd, 0, 0, 0) < 0) return -1;
    int done = REAL(ftruncate64)(fd, size);
    if (meant && !done) note('t', path, size, NULL, NULL, 0);
    return done;
}

int ftruncate(int fd, off_t size) { return cut(fd, size); }
int ftruncate64(int fd, off64_t size) { return cut(fd, size); }

static int synced(int fd, int (*real)(int)) {
    char path[PATH_MAX];
    if (!of(fd, path)) return real(fd);
    if (ruled("nosync")) return 0;
    int done = allowed(fd, 0, 0, 1) < 0 ? -1 : real(fd);
    int was = errno;
    note(done ? 'f' : 's', path, 0, NULL, NULL, 0);
    errno = was;
    return done;
}

int fsync(int fd) { return synced(fd, REAL(fsync)); }
int fdatasync(int fd) { return synced(fd, REAL(fdatasync)); }

/* An error where a name may not be made or changed now, else 0. */
static int named(const char *path, int make) {
    if (!below(path)) return 0;
    if (ruled("readonly")) errno = EROFS;
    else if (ruled("nospace") && make) errno = ENOSPC;
    else return 0;
    return -1;
}

static int opened(const char *path, int flags, mode_t mode) {
    int meant = below(path), made = meant && flags & O_CREAT && access(path, F_OK);
    if (meant && ruled("readonly") && (made || flags & O_TRUNC || (flags & O_ACCMODE) != O_RDONLY)) {
        errno = access(path, F_OK) && !(flags & O_CREAT) ? ENOENT : EROFS;
        return -1;
    }
    if (made && named(path, 1)) return -1;
    int fd = REAL(open64)(path, flags, mode);
    if (fd >= 0 && meant && (made || flags & O_TRUNC)) note(made ? 'c' : 't', path, 0, NULL, NULL, 0);
    return fd;
}

#define OPEN(name)                                                     \
    int name(const char *path, int flags, ...) {                       \
        va_list more;                                                  \
        va_start(more, flags);                                         \
        mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0; \
        va_end(more);                                                  \
        return opened(path, flags, mode);                              \
    }
OPEN(open)
OPEN(open64)

int rename(const char *from, const char *to) {
    if (named(from, 0)) return -1;
    int done = REAL(rename)(from, to);
    if (!done && below(from)) note('r', from, 0, to, NULL, 0);
    return done;
}

int unlink(const char *path) {
    if (named(path, 0)) return -1;
    int done = REAL(unlink)(path);
    if (!done && below(path)) note('u', path, 0, NULL, NULL, 0);
    return done;
}

static int held(int fd, off64_t from, off64_t size) {
    char path[PATH_MAX];
    if (of(fd, path) && ruled("readonly")) return EROFS;
    if (of(fd, path) && ruled("nospace")) return ENOSPC;
    return REAL(posix_fallocate64)(fd, from, size);
}

int posix_fallocate(int fd, off_t from, off_t size) { return held(fd, from, size); }
int posix_fallocate64(int fd, off64_t from, off64_t size) { return held(fd, from, size); }

int statvfs(const char *path, struct statvfs *found) {
    int done = REAL(statvfs)(path, found);
    if (!done && below(path) && ruled("readonly")) found->f_flag |= ST_RDONLY;
    if (!done && below(path) && ruled("nospace")) found->f_bavail = found->f_bfree = 0;
    return done;
}

int statvfs64(const char *path, struct statvfs64 *found) {
    int done = REAL(statvfs64)(path, found);
    if (!done && below(path) && ruled("readonly")) found->f_flag |= ST_RDONLY;
    if (!done && below(path) && ruled("nospace")) found->f_bavail = found->f_bfree = 0;
    return done;
}
