/*
 * Loaded into user-mode-linux ahead of the C library (LD_PRELOAD).
 *
 * A 6.1 user-mode-linux keeps a process's floating-point registers in a room of fixed size, shorter than what
 * a processor with AMX has. The host takes such registers whole or not at all (EFAULT, arch/x86/kernel/fpu/regset.c,
 * xstateregs_set), and the guest's first process would end at once. Here they are made whole: the end that is missing
 * holds tiles only, which nothing in the guest was granted, so it is zeros.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <elf.h>
#include <stdarg.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/types.h>
#include <sys/uio.h>

static char whole[1 << 16];

static size_t length_of_whole(long (*next)(int, ...), pid_t process) {
  struct iovec all = {whole, sizeof whole};
  return next(PTRACE_GETREGSET, process, (void *)NT_X86_XSTATE, &all) ? 0 : all.iov_len;
}

long ptrace(enum __ptrace_request request, ...) {
  static long (*next)(int, ...);
  static size_t length;
  va_list rest;
  va_start(rest, request);
  pid_t process = va_arg(rest, pid_t);
  void *address = va_arg(rest, void *);
  void *data = va_arg(rest, void *);
  va_end(rest);
  if (!next) next = (long (*)(int, ...))dlsym(RTLD_NEXT, "ptrace");
  if (request != PTRACE_SETREGSET || address != (void *)NT_X86_XSTATE) return next(request, process, address, data);

  const struct iovec *given = data;
  if (!length) length = length_of_whole(next, process);
  if (given->iov_len >= length) return next(request, process, address, data);
  memcpy(whole, given->iov_base, given->iov_len);
  memset(whole + given->iov_len, 0, length - given->iov_len);
  struct iovec all = {whole, length};
  return next(request, process, address, &all);
}
