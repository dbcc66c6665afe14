/* Counts the calls that change files below one folder, makes the n-th of them fail, or writes them all down.
 *
 * Loaded with LD_PRELOAD; a test drives it through io_faults_arm() and io_faults_record(). Faults: 1 EIO, 2 ENOSPC,
 * 3 a short write (half of the bytes, then ENOSPC, as a disk that is getting full does).
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>
#include <limits.h>

#define FDS 4096
static char root[PATH_MAX];
static size_t root_length;
static long calls, fail_at;
static int fault, short_done;
static int record_fd = -1;
static char *paths[FDS]; /* of files that may be changed */
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

#define REAL(name) ({ static __typeof__(&name) real; if (!real) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name); real; })

void io_faults_arm(const char *folder, long at, int what) {
    pthread_mutex_lock(&lock);
    strncpy(root, folder, sizeof root - 1);
    root_length = strlen(root);
    calls = 0, fail_at = at, fault = what, short_done = 0;
    pthread_mutex_unlock(&lock);
}

long io_faults_disarm(void) {
    pthread_mutex_lock(&lock);
    long seen = calls;
    root_length = 0, fail_at = 0;
    pthread_mutex_unlock(&lock);
    return seen;
}

void io_faults_record(int fd) { record_fd = fd; }

static int below(const char *path) {
    return root_length && path && strncmp(path, root, root_length) == 0 &&
           (path[root_length] == '/' || path[root_length] == 0);
}

static void full_path(int folder, const char *path, char *out) {
    if (path[0] == '/') { snprintf(out, PATH_MAX, "%s", path); return; }
    char base[PATH_MAX] = "";
    if (folder == AT_FDCWD) { if (!getcwd(base, sizeof base)) base[0] = 0; }
    else {
        char link[64];
        snprintf(link, sizeof link, "/proc/self/fd/%d", folder);
        ssize_t length = readlink(link, base, sizeof base - 1);
        base[length > 0 ? length : 0] = 0;
    }
    if (strlen(base) + strlen(path) + 2 > PATH_MAX) { out[0] = 0; return; }
    strcpy(out, base); strcat(out, "/"); strcat(out, path);
}

/* Returns the errno with which this call is to fail, 0 when it goes through, -1 for a short write. */
static int due(int is_write) {
    int result = 0;
    pthread_mutex_lock(&lock);
    calls++;
    if (fault == 3) {
        if (calls == fail_at && is_write) { result = -1; short_done = 1; }
        else if (short_done && is_write) { result = ENOSPC; short_done = 0; }
        else if (calls == fail_at) result = ENOSPC;
    } else if (calls == fail_at) result = fault == 1 ? EIO : ENOSPC;
    pthread_mutex_unlock(&lock);
    return result;
}

static void note(const char *what, const char *path, long offset, const char *other, const void *data, size_t size) {
    if (record_fd < 0) return;
    char head[2 * PATH_MAX + 128];
    int length = snprintf(head, sizeof head, "%s\t%s\t%ld\t%s\t%zu\n", what, path, offset, other ? other : "", size);
    pthread_mutex_lock(&lock);
    REAL(write)(record_fd, head, length);
    if (size) REAL(write)(record_fd, data, size);
    pthread_mutex_unlock(&lock);
}

static char *held(int fd) { return fd >= 0 && fd < FDS && root_length ? paths[fd] : NULL; }

static void remember(int fd, const char *path) {
    if (fd < 0 || fd >= FDS) return;
    free(paths[fd]);
    paths[fd] = below(path) ? strdup(path) : NULL;
}

static int opened(int folder, const char *path, int flags, mode_t mode) {
    char whole[PATH_MAX];
    full_path(folder, path, whole);
    int changes = flags & (O_CREAT | O_TRUNC);
    int is_new = 0;
    if (below(whole) && changes) {
        int why = due(0);
        if (why) { errno = why < 0 ? ENOSPC : why; return -1; }
        is_new = access(whole, F_OK) != 0;
    }
    int fd = REAL(openat)(folder, path, flags, mode);
    if (fd >= 0) {
        remember(fd, whole);
        if (below(whole) && changes) {
            if (is_new) note("create", whole, 0, NULL, NULL, 0);
            else if (flags & O_TRUNC) note("truncate", whole, 0, NULL, NULL, 0);
        }
    }
    return fd;
}

#define MODE mode_t mode = 0; if (flags & (O_CREAT | __O_TMPFILE)) { va_list more; va_start(more, flags); mode = va_arg(more, int); va_end(more); }
int open(const char *path, int flags, ...) { MODE return opened(AT_FDCWD, path, flags, mode); }
int open64(const char *path, int flags, ...) { MODE return opened(AT_FDCWD, path, flags, mode); }
int openat(int folder, const char *path, int flags, ...) { MODE return opened(folder, path, flags, mode); }
int openat64(int folder, const char *path, int flags, ...) { MODE return opened(folder, path, flags, mode); }
int creat(const char *path, mode_t mode) { return opened(AT_FDCWD, path, O_CREAT | O_WRONLY | O_TRUNC, mode); }

int close(int fd) {
    if (fd >= 0 && fd < FDS && paths[fd]) { free(paths[fd]); paths[fd] = NULL; }
    return REAL(close)(fd);
}

static off_t where(int fd) {
    if (fcntl(fd, F_GETFL) & O_APPEND) { struct stat now; return fstat(fd, &now) ? 0 : now.st_size; }
    return lseek(fd, 0, SEEK_CUR);
}

ssize_t write(int fd, const void *data, size_t size) {
    char *path = held(fd);
    if (!path) return REAL(write)(fd, data, size);
    int why = due(1);
    if (why > 0) { errno = why; return -1; }
    if (why < 0 && size > 1) size /= 2;
    off_t at = where(fd);
    ssize_t done = REAL(write)(fd, data, size);
    if (done > 0) note("write", path, at, NULL, data, done);
    return done;
}

ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at) {
    char *path = held(fd);
    if (!path) return REAL(pwrite64)(fd, data, size, at);
    int why = due(1);
    if (why > 0) { errno = why; return -1; }
    if (why < 0 && size > 1) size /= 2;
    ssize_t done = REAL(pwrite64)(fd, data, size, at);
    if (done > 0) note("write", path, at, NULL, data, done);
    return done;
}
ssize_t pwrite(int fd, const void *data, size_t size, off_t at) { return pwrite64(fd, data, size, at); }

ssize_t writev(int fd, const struct iovec *vector, int count) {
    if (!held(fd)) return REAL(writev)(fd, vector, count);
    ssize_t total = 0;
    for (int each = 0; each < count; each++) {
        ssize_t done = write(fd, vector[each].iov_base, vector[each].iov_len);
        if (done < 0) return total ? total : -1;
        total += done;
        if ((size_t)done < vector[each].iov_len) break;
    }
    return total;
}

#define FAILS_IF_DUE int why = due(0); if (why) { errno = why < 0 ? ENOSPC : why; return -1; }

static int synced(int fd, int (*real)(int)) {
    char *path = held(fd);
    if (!path) return real(fd);
    FAILS_IF_DUE
    int result = real(fd);
    if (!result) note("sync", path, 0, NULL, NULL, 0);
    return result;
}
int fsync(int fd) { return synced(fd, REAL(fsync)); }
int fdatasync(int fd) { return synced(fd, REAL(fdatasync)); }

int ftruncate64(int fd, off64_t size) {
    char *path = held(fd);
    if (!path) return REAL(ftruncate64)(fd, size);
    FAILS_IF_DUE
    int result = REAL(ftruncate64)(fd, size);
    if (!result) note("truncate", path, size, NULL, NULL, 0);
    return result;
}
int ftruncate(int fd, off_t size) { return ftruncate64(fd, size); }

int renameat(int from_folder, const char *from, int to_folder, const char *to) {
    char one[PATH_MAX], other[PATH_MAX];
    full_path(from_folder, from, one);
    full_path(to_folder, to, other);
    if (!below(other)) return REAL(renameat)(from_folder, from, to_folder, to);
    FAILS_IF_DUE
    int result = REAL(renameat)(from_folder, from, to_folder, to);
    if (!result) note("rename", one, 0, other, NULL, 0);
    return result;
}
int rename(const char *from, const char *to) { return renameat(AT_FDCWD, from, AT_FDCWD, to); }

int linkat(int from_folder, const char *from, int to_folder, const char *to, int flags) {
    char one[PATH_MAX], other[PATH_MAX];
    full_path(from_folder, from, one);
    full_path(to_folder, to, other);
    if (!below(other)) return REAL(linkat)(from_folder, from, to_folder, to, flags);
    FAILS_IF_DUE
    int result = REAL(linkat)(from_folder, from, to_folder, to, flags);
    if (!result) note("link", one, 0, other, NULL, 0);
    return result;
}
int link(const char *from, const char *to) { return linkat(AT_FDCWD, from, AT_FDCWD, to, 0); }

int unlinkat(int folder, const char *path, int flags) {
    char whole[PATH_MAX];
    full_path(folder, path, whole);
    if (!below(whole)) return REAL(unlinkat)(folder, path, flags);
    FAILS_IF_DUE
    int result = REAL(unlinkat)(folder, path, flags);
    if (!result) note(flags & AT_REMOVEDIR ? "rmdir" : "unlink", whole, 0, NULL, NULL, 0);
    return result;
}
int unlink(const char *path) { return unlinkat(AT_FDCWD, path, 0); }
int rmdir(const char *path) { return unlinkat(AT_FDCWD, path, AT_REMOVEDIR); }

int mkdirat(int folder, const char *path, mode_t mode) {
    char whole[PATH_MAX];
    full_path(folder, path, whole);
    if (!below(whole)) return REAL(mkdirat)(folder, path, mode);
    FAILS_IF_DUE
    int result = REAL(mkdirat)(folder, path, mode);
    if (!result) note("mkdir", whole, 0, NULL, NULL, 0);
    return result;
}
int mkdir(const char *path, mode_t mode) { return mkdirat(AT_FDCWD, path, mode); }
