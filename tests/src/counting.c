/* The counters of a serial driver, which a pseudo-terminal does not have: the file that RIG_COUNTS names holds four numbers,
   for bytes without a stop bit, bytes that the adapter lost, bytes of wrong parity, and bytes that the kernel lost. Everything
   else goes to the kernel. */
#define _GNU_SOURCE
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/syscall.h>
#include <unistd.h>
#include <linux/serial.h>

int ioctl(int fd, unsigned long request, ...) {
    va_list rest;
    va_start(rest, request);
    void *answer = va_arg(rest, void *);
    va_end(rest);
    if (request != TIOCGICOUNT)
        return syscall(SYS_ioctl, fd, request, answer);
    struct serial_icounter_struct counts;
    memset(&counts, 0, sizeof counts);
    FILE *file = fopen(getenv("RIG_COUNTS"), "r");
    if (file != NULL) {
        if (fscanf(file, "%d %d %d %d", &counts.frame, &counts.overrun, &counts.parity, &counts.buf_overrun) != 4)
            memset(&counts, 0, sizeof counts);
        fclose(file);
    }
    memcpy(answer, &counts, sizeof counts);
    return 0;
}
