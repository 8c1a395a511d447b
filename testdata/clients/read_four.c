/* Reads a four-channel gauge over Modbus RTU with libmodbus: prints each
 * channel's reading in counts of 0.00001, then writes the upper limit of the
 * second channel and prints what it reads back.
 *
 *     read_four PORT UPPER_LIMIT_IN_COUNTS
 */
#include <errno.h>
#include <modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

static int32_t counts(const uint16_t *r) { return (int32_t)((uint32_t)r[0] << 16 | r[1]); }

static int fail(const char *what) {
  fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
  return 1;
}

int main(int argc, char **argv) {
  if (argc != 3) {
    fprintf(stderr, "usage: read_four PORT UPPER_LIMIT_IN_COUNTS\n");
    return 2;
  }
  modbus_t *m = modbus_new_rtu(argv[1], 19200, 'E', 8, 1);
  if (!m || modbus_set_slave(m, 1) || modbus_connect(m)) return fail("connect");
  uint16_t r[8];
  if (modbus_read_input_registers(m, 0, 8, r) != 8) return fail("read");
  for (int i = 0; i < 4; i++) printf("%d\n", counts(r + 2 * i));
  int32_t upper = (int32_t)strtol(argv[2], NULL, 10);
  uint16_t w[2] = {(uint32_t)upper >> 16, upper & 0xffff};
  if (modbus_write_registers(m, 10, 2, w) != 2) return fail("write");
  if (modbus_read_registers(m, 10, 2, r) != 2) return fail("read back");
  printf("%d\n", counts(r));
  modbus_close(m);
  modbus_free(m);
  return 0;
}
