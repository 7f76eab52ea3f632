/* Preloaded into a program of sg3_utils: instead of a drive, prints each command
 * block and the data that goes out with it, one line each, and answers with the
 * bytes in $SGIO_ANSWERS/OP (OP: operation code, two hex digits). */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <scsi/sg.h>

static void line(const char *what, const unsigned char *p, unsigned n)
{
	fprintf(stderr, "%s", what);
	for (unsigned i = 0; i < n; i++)
		fprintf(stderr, "%02X", p[i]);
	fprintf(stderr, "\n");
}

int ioctl(int fd, unsigned long request, ...)
{
	va_list ap;
	va_start(ap, request);
	void *arg = va_arg(ap, void *);
	va_end(ap);
	if (request != SG_IO) {
		int (*next)(int, unsigned long, ...) = dlsym(RTLD_NEXT, "ioctl");
		return next(fd, request, arg);
	}
	sg_io_hdr_t *h = arg;
	size_t n = 0;
	line("\nBLOCK ", h->cmdp, h->cmd_len);
	if (h->dxfer_direction == SG_DXFER_TO_DEV)
		line("DATA ", h->dxferp, h->dxfer_len);
	if (h->dxfer_direction == SG_DXFER_FROM_DEV) {
		char name[4096];
		snprintf(name, sizeof name, "%s/%02X", getenv("SGIO_ANSWERS"), h->cmdp[0]);
		FILE *f = fopen(name, "rb");
		if (f) {
			n = fread(h->dxferp, 1, h->dxfer_len, f);
			fclose(f);
		}
	}
	h->resid = h->dxfer_len - n;
	h->status = h->masked_status = h->sb_len_wr = h->info = 0;
	h->host_status = h->driver_status = 0;
	return 0;
}
