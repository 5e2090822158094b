/* A disk that does as it is told: preloaded into the service (LD_PRELOAD), it watches the files of
   one folder and fails, kills, delays, fills up or writes a journal of what reaches them. It also
   moves the wall clock and the clock since boot, and shows another mount table. The other side is
   faulty_disk.py.

     FAULTY_ROOT     the folder, absolute
     FAULTY_CONTROL  a file of WORDS int64, mapped, so that a test can change it while we run
     FAULTY_JOURNAL  where events are appended; unset = none
     FAULTY_MOUNTS   read in place of /proc/self/mountinfo; unset = the real one

   SQLite reaches its files by open, write, pwrite64, fdatasync, fsync, ftruncate64 and unlink
   (nm -D libsqlite3); Python by the same. Shared memory is mapped: writes there are not seen. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

enum { KIND, AT, FOREVER, ERROR, BUDGET, SYNC_DELAY_US, CLOCK_S, COUNT, INJECTED, BOOT_S,
       WORDS = 16 };
enum { WRITES = 1, SYNCS, OPENS };
enum { DIE = -1, FILES = 65536 };

static int64_t idle[WORDS] = {[BUDGET] = -1};
static volatile int64_t *word = idle;
static char root[PATH_MAX];
static size_t root_length;
static int journal = -1;
static int64_t watched[FILES]; /* inode of a watched file by its descriptor, else 0 */
static pthread_mutex_t one_at_a_time = PTHREAD_MUTEX_INITIALIZER;

__attribute__((constructor)) static void begin(void) {
    const char *folder = getenv("FAULTY_ROOT"), *control = getenv("FAULTY_CONTROL");
    const char *events = getenv("FAULTY_JOURNAL");
    if (!folder || !control || strlen(folder) >= sizeof root) return;
    int fd = syscall(SYS_openat, AT_FDCWD, control, O_RDWR | O_CLOEXEC);
    if (fd < 0) return;
    void *mapped = mmap(NULL, sizeof idle, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    syscall(SYS_close, fd);
    if (mapped == MAP_FAILED) return;
    word = mapped;
    strcpy(root, folder);
    root_length = strlen(root);
    if (events)
        journal = syscall(SYS_openat, AT_FDCWD, events, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC,
                          0600);
}

struct head { int64_t kind, a, b, length; };

/* One event: its kind, two numbers and bytes. Torn only if we are killed inside it. */
static void note(char kind, int64_t a, int64_t b, const struct iovec *parts, int count) {
    if (journal < 0) return;
    int saved = errno;
    struct head head = {kind, a, b, 0};
    struct iovec all[66] = {{&head, sizeof head}};
    if (count > 64) count = 64;
    for (int i = 0; i < count; i++) head.length += (all[i + 1] = parts[i]).iov_len;
    pthread_mutex_lock(&one_at_a_time);
    syscall(SYS_writev, journal, all, count + 1);
    pthread_mutex_unlock(&one_at_a_time);
    errno = saved;
}

static int inside(const char *path) {
    return root_length && !strncmp(path, root, root_length) &&
           (path[root_length] == '/' || !path[root_length]);
}

static int64_t inode(int fd) { return fd >= 0 && fd < FILES ? watched[fd] : 0; }

/* Whether this call is the one to fail; then errno is set. */
static int fails(int kind) {
    if (word[KIND] != kind) return 0;
    int64_t n = __atomic_add_fetch(&word[COUNT], 1, __ATOMIC_SEQ_CST);
    if (n != word[AT] && !(word[FOREVER] && n > word[AT])) return 0;
    __atomic_add_fetch(&word[INJECTED], 1, __ATOMIC_SEQ_CST);
    if (word[ERROR] == DIE) kill(getpid(), SIGKILL);
    errno = word[ERROR];
    return 1;
}

/* Takes the growth of a file from what is left of the disk; 0 if there is not enough. */
static int has_room(int fd, int64_t end) {
    struct stat now;
    if (word[BUDGET] < 0 || fstat(fd, &now) || !S_ISREG(now.st_mode) || end <= now.st_size)
        return 1;
    int64_t wanted = end - now.st_size, left = word[BUDGET];
    while (left >= wanted)
        if (__atomic_compare_exchange_n(&word[BUDGET], &left, left - wanted, 0, __ATOMIC_SEQ_CST,
                                        __ATOMIC_SEQ_CST))
            return 1;
    errno = ENOSPC;
    __atomic_add_fetch(&word[INJECTED], 1, __ATOMIC_SEQ_CST);
    return 0;
}

static void give_back(int64_t bytes) {
    if (word[BUDGET] >= 0 && bytes > 0)
        __atomic_add_fetch(&word[BUDGET], bytes, __ATOMIC_SEQ_CST);
}

static int opened(int dir, const char *path, int flags, mode_t mode) {
    const char *mounts = getenv("FAULTY_MOUNTS");
    if (mounts && !strcmp(path, "/proc/self/mountinfo")) path = mounts;
    if (!inside(path)) return syscall(SYS_openat, dir, path, flags, mode);
    if (fails(OPENS)) return -1;
    int is_new = (flags & O_CREAT) && syscall(SYS_faccessat, dir, path, F_OK) < 0;
    int fd = syscall(SYS_openat, dir, path, flags, mode);
    struct stat made;
    if (fd >= 0 && fd < FILES && !fstat(fd, &made)) {
        struct iovec name = {(void *)path, strlen(path)};
        if ((flags & O_TMPFILE) != O_TMPFILE) note('O', made.st_ino, is_new, &name, 1);
        watched[fd] = made.st_ino;
    }
    return fd;
}

/* The mode is there only when a file may be made. */
#define OPENED(dir) \
    mode_t mode = 0; \
    va_list more; \
    va_start(more, flags); \
    if (flags & (O_CREAT | __O_TMPFILE)) { mode = va_arg(more, mode_t); } \
    va_end(more); \
    return opened(dir, path, flags, mode)

int open(const char *path, int flags, ...) { OPENED(AT_FDCWD); }
int open64(const char *path, int flags, ...) { OPENED(AT_FDCWD); }
int openat(int dir, const char *path, int flags, ...) { OPENED(dir); }
int openat64(int dir, const char *path, int flags, ...) { OPENED(dir); }

int close(int fd) {
    if (fd >= 0 && fd < FILES) watched[fd] = 0;
    return syscall(SYS_close, fd);
}

static ssize_t written(int fd, const void *data, size_t n, off_t at, int placed) {
    if (fails(WRITES)) return -1;
    if (!placed) {
        struct stat now;
        int append = fcntl(fd, F_GETFL) & O_APPEND;
        at = append && !fstat(fd, &now) ? now.st_size : lseek(fd, 0, SEEK_CUR);
    }
    if (!has_room(fd, at + (int64_t)n)) return -1;
    ssize_t done = placed ? syscall(SYS_pwrite64, fd, data, n, at) : syscall(SYS_write, fd, data, n);
    struct iovec part = {(void *)data, done > 0 ? done : 0};
    if (done > 0) note('W', inode(fd), at, &part, 1);
    return done;
}

ssize_t pwrite(int fd, const void *data, size_t n, off_t at) {
    return inode(fd) ? written(fd, data, n, at, 1) : syscall(SYS_pwrite64, fd, data, n, at);
}
ssize_t pwrite64(int fd, const void *data, size_t n, off64_t at) { return pwrite(fd, data, n, at); }

/* Answers are noted before they leave, so that nothing they tell can be noted after them. */
static void answering(int fd, const struct iovec *parts, int count) {
    struct stat is;
    if (journal >= 0 && !fstat(fd, &is) && S_ISSOCK(is.st_mode)) note('S', fd, 0, parts, count);
}

ssize_t write(int fd, const void *data, size_t n) {
    if (inode(fd)) return written(fd, data, n, 0, 0);
    struct iovec part = {(void *)data, n};
    answering(fd, &part, 1);
    return syscall(SYS_write, fd, data, n);
}
ssize_t writev(int fd, const struct iovec *parts, int count) {
    answering(fd, parts, count);
    return syscall(SYS_writev, fd, parts, count);
}
ssize_t send(int fd, const void *data, size_t n, int flags) {
    struct iovec part = {(void *)data, n};
    answering(fd, &part, 1);
    return syscall(SYS_sendto, fd, data, n, flags, NULL, 0);
}
ssize_t sendmsg(int fd, const struct msghdr *message, int flags) {
    answering(fd, message->msg_iov, message->msg_iovlen);
    return syscall(SYS_sendmsg, fd, message, flags);
}

/* What a sync makes durable was written before it began; it is done when it has ended. */
static int synced(int fd, long call) {
    if (!inode(fd)) return syscall(call, fd);
    if (fails(SYNCS)) return -1;
    int64_t thread = syscall(SYS_gettid);
    note('B', inode(fd), thread, NULL, 0);
    if (word[SYNC_DELAY_US] > 0) usleep(word[SYNC_DELAY_US]);
    int done = syscall(call, fd);
    if (!done) note('E', inode(fd), thread, NULL, 0);
    return done;
}
int fsync(int fd) { return synced(fd, SYS_fsync); }
int fdatasync(int fd) { return synced(fd, SYS_fdatasync); }

int ftruncate(int fd, off_t size) {
    if (!inode(fd)) return syscall(SYS_ftruncate, fd, size);
    if (fails(WRITES) || !has_room(fd, size)) return -1;
    struct stat before;
    int known = !fstat(fd, &before);
    int done = syscall(SYS_ftruncate, fd, size);
    if (done) return done;
    if (known) give_back(before.st_size - size);
    note('T', inode(fd), size, NULL, 0);
    return 0;
}
int ftruncate64(int fd, off64_t size) { return ftruncate(fd, size); }

int unlink(const char *path) {
    struct stat gone;
    int known = inside(path) && !lstat(path, &gone);
    int done = syscall(SYS_unlinkat, AT_FDCWD, path, 0);
    if (done || !known) return done;
    give_back(gone.st_size);
    struct iovec name = {(void *)path, strlen(path)};
    note('U', gone.st_ino, 0, &name, 1);
    return 0;
}

int clock_gettime(clockid_t which, struct timespec *now) {
    int done = syscall(SYS_clock_gettime, which, now);
    if (!done && which == CLOCK_REALTIME) now->tv_sec += word[CLOCK_S];
    if (!done && which == CLOCK_BOOTTIME) now->tv_sec += word[BOOT_S];
    return done;
}
