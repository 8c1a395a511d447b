/* An example of host software in C, on POSIX termios: it reads one gauge that
 * speaks line-ascii, takes the gauge's own verdict, and keeps its records as CSV.
 *
 *     csvhost PORT RECORDS
 */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static volatile sig_atomic_t stop;
static FILE *records;
static const char *name;

static void on_term(int sig) { (void)sig; stop = 1; }

/* keep writes one row; it is in the file before the next frame is looked at. */
static void keep(const char *what, const char *tag, const char *size, const char *unit, const char *verdict)
{
    struct timespec now;
    char at[32];

    clock_gettime(CLOCK_REALTIME, &now);
    strftime(at, sizeof at, "%Y-%m-%dT%H:%M:%S", gmtime(&now.tv_sec));
    fprintf(records, "%s.%06ldZ,%s,%s,%s,%s,%s,%s\n", at, now.tv_nsec / 1000, name, what, tag, size, unit, verdict);
    if (fflush(records) != 0) {
        perror("records");
        exit(1);
    }
}

/* take judges a line such as "T0017 +00008.015 mm 3 .*6C". */
static void take(char *line)
{
    static char last[64];
    static time_t last_at;
    static int low;
    char tag[8], size[16], unit[4], verdict[2], cell[2], whole[64], check[4];
    char *star = strrchr(line, '*'), *c;
    unsigned xor = 0;

    if (star == NULL || strlen(line) >= sizeof whole)
        return; /* a reply */
    for (c = line; c <= star; c++)
        xor ^= (unsigned char)*c;
    snprintf(check, sizeof check, "%02X", xor & 0xFF);
    strcpy(whole, line);
    if (strcmp(star + 1, check) != 0)
        return; /* damaged on its way */
    *star = 0;
    if (sscanf(line, "%7s %15s %3s %1s %1s", tag, size, unit, verdict, cell) != 5)
        return;
    if (low != (cell[0] == 'L') && (low = !low))
        keep("battery", "", "", "", "");
    if (tag[0] != 'T' || (strcmp(whole, last) == 0 && time(NULL) - last_at < 2))
        return; /* streamed, or a tag that the link sent twice */
    strcpy(last, whole);
    last_at = time(NULL);
    if (verdict[0] == '6')
        size[0] = 0; /* nothing to read */
    keep("size", tag + 1, size, unit, verdict);
}

/* serve reads the port; it returns 1 when the port has gone away. */
static int serve(int fd)
{
    char buf[256];
    size_t have = 0;

    for (;;) {
        struct pollfd p = {fd, POLLIN, 0};
        char c;
        int some = poll(&p, 1, 20);
        if (some == 0 && stop)
            return 0;
        if (some <= 0)
            continue;
        if (read(fd, &c, 1) != 1)
            return 1;
        if (c == '\n') {
            while (have > 0 && buf[have - 1] == '\r')
                have--;
            buf[have] = 0;
            take(buf);
            have = 0;
        } else if (have < sizeof buf - 1) {
            buf[have++] = c;
        }
    }
}

int main(int argc, char **argv)
{
    struct termios t;
    int fd, again = 0, lost = 1;

    if (argc != 3 || (records = fopen(argv[2], "a")) == NULL)
        return fprintf(stderr, "usage: csvhost PORT RECORDS\n"), 2;
    name = strrchr(argv[1], '/') ? strrchr(argv[1], '/') + 1 : argv[1];
    fseek(records, 0, SEEK_END);
    if (ftell(records) == 0) /* what an earlier start has recorded stays */
        fprintf(records, "time,gauge,what,number,size,unit,verdict\n");
    signal(SIGTERM, on_term);
    while (lost && !stop) {
        if ((fd = open(argv[1], O_RDWR | O_NOCTTY)) < 0) {
            poll(NULL, 0, 20);
            continue;
        }
        if (tcgetattr(fd, &t) == 0) {
            cfmakeraw(&t);
            t.c_cflag = CS8 | CREAD | CLOCAL;
            cfsetspeed(&t, B9600);
            tcsetattr(fd, TCSANOW, &t);
        }
        if (again++)
            keep("online", "", "", "", "");
        lost = serve(fd);
        close(fd);
        if (lost)
            keep("offline", "", "", "", "");
    }
    return fclose(records) != 0;
}
