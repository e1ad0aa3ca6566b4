/* Stands between a program and the C library at the calls that change files, for one folder's files, and lets them fail
 * as disks do: writes that take a part only, a disk that is full for a while, errors, one that can only be read. What it
 * does is said in the environment:
 *
 *   SHIM_FOLDER  files below it are meant, all others are left alone
 *   SHIM_RULE    "short"        every write takes half of what it is given (POSIX allows it at any time)
 *                "full A B"     from the A-th to the B-th write the disk is full: half of the first is still taken
 *                "eio A B"      from the A-th to the B-th write or sync: an error of the disk
 *                "erofs A B"    likewise: a file system that was remounted to be read only
 *                "nosync"       syncs say that all is well, and do nothing
 *
 * Built by the test: cc -shared -fPIC -o shim.so shim.c -ldl
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static long count;

static int meant(int fd) {
    const char *folder = getenv("SHIM_FOLDER");
    char link[64], path[PATH_MAX];
    if (!folder) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t size = readlink(link, path, sizeof path - 1);
    if (size < 0) return 0;
    path[size] = 0;
    return strncmp(path, folder, strlen(folder)) == 0 && path[strlen(folder)] == '/';
}

/* How many bytes may be written; -1 with errno set where none. */
static ssize_t allowed(int fd, size_t size, int sync) {
    const char *rule = getenv("SHIM_RULE");
    long from = 0, to = 0;
    if (!rule || !meant(fd)) return (ssize_t)size;
    if (!strcmp(rule, "short")) return (ssize_t)(size > 1 ? size / 2 : size);
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

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

ssize_t write(int fd, const void *data, size_t size) {
    ssize_t most = allowed(fd, size, 0);
    return most < 0 ? -1 : REAL(write)(fd, data, (size_t)most);
}

ssize_t pwrite(int fd, const void *data, size_t size, off_t at) {
    ssize_t most = allowed(fd, size, 0);
    return most < 0 ? -1 : REAL(pwrite)(fd, data, (size_t)most, at);
}

ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at) {
    ssize_t most = allowed(fd, size, 0);
    return most < 0 ? -1 : REAL(pwrite64)(fd, data, (size_t)most, at);
}

static int synced(int fd, int (*real)(int)) {
    const char *rule = getenv("SHIM_RULE");
    if (rule && !strcmp(rule, "nosync") && meant(fd)) return 0;
    return allowed(fd, 0, 1) < 0 ? -1 : real(fd);
}

int fsync(int fd) { return synced(fd, REAL(fsync)); }
int fdatasync(int fd) { return synced(fd, REAL(fdatasync)); }
