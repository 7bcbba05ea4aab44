/* Preloaded into a program, it ends the program at its n-th change of a file or folder: before
   the change, or when half of the bytes are written. See tests/benchmarks/book_kills.py. */

#define _GNU_SOURCE
#include <dlfcn.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

static long at = -1, seen = 0;
static int half = 0;

void cut_at(long number, int in_half) { at = number; half = in_half; seen = 0; }
long cuts_seen(void) { return seen; }

static int due(void) { return ++seen == at; }
static void end(void) { kill(getpid(), SIGKILL); pause(); }
static int is_file(int fd) { struct stat s; return fstat(fd, &s) == 0 && S_ISREG(s.st_mode); }

#define WRITER(name, extra_types, extra_names)                                              \
    ssize_t name(int fd, const void *bytes, size_t count extra_types) {                     \
        static __typeof__(&name) real = 0;                                                  \
        if (!real) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name);                       \
        if (is_file(fd) && due()) {                                                         \
            if (half) real(fd, bytes, count / 2 extra_names);                               \
            end();                                                                          \
        }                                                                                   \
        return real(fd, bytes, count extra_names);                                          \
    }
#define COMMA ,
WRITER(write, , )
WRITER(pwrite, COMMA off_t place, COMMA place)
WRITER(pwrite64, COMMA off_t place, COMMA place)

#define CALL(type, name, types, names)                                                      \
    type name types {                                                                       \
        static __typeof__(&name) real = 0;                                                  \
        if (!real) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name);                       \
        if (due()) end();                                                                   \
        return real names;                                                                  \
    }
CALL(int, ftruncate, (int fd, off_t length), (fd, length))
CALL(int, ftruncate64, (int fd, off_t length), (fd, length))
CALL(int, truncate, (const char *path, off_t length), (path, length))
CALL(int, truncate64, (const char *path, off_t length), (path, length))
CALL(int, rename, (const char *from, const char *to), (from, to))
CALL(int, link, (const char *from, const char *to), (from, to))
CALL(int, unlink, (const char *path), (path))
CALL(int, mkdir, (const char *path, mode_t mode), (path, mode))
CALL(int, rmdir, (const char *path), (path))
CALL(int, fsync, (int fd), (fd))
CALL(int, fdatasync, (int fd), (fd))
CALL(ssize_t, sendfile, (int to, int from, off_t *at_, size_t count), (to, from, at_, count))
