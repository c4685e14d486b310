/* The board's program on a computer, for the tests.
 *
 * board_host replay MAX ACCEL    records on the standard input, each: time in ms
 *     (4 bytes, little-endian), a count (2 bytes), so many bytes of the line; for
 *     each on the output: a count (2 bytes), so many bytes that the board
 *     answered, and both wheels' speeds, mm/s (4 bytes each).
 * board_host live MAX ACCEL      the line on the standard input and output, in real
 *     time; on the standard error a line "milliseconds left right" for each change of speed.
 */
#define _POSIX_C_SOURCE 200809L
#include "board.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static int live;
static uint32_t now_ms;
static uint8_t in[65536], out[65536];
static size_t in_next, in_count, out_count;
static int32_t wheels[2];

uint32_t board_now_ms(void)
{
    struct timespec now;
    if (!live)
        return now_ms;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint32_t)((uint64_t)now.tv_sec * 1000u + (uint64_t)now.tv_nsec / 1000000u);
}

int board_read(void)
{
    uint8_t byte;
    if (live)
        return read(0, &byte, 1) == 1 ? byte : -1;
    return in_next < in_count ? in[in_next++] : -1;
}

void board_write(const char *bytes, size_t count)
{
    if (live) {
        if (write(1, bytes, count) < 0)
            return; /* dropped */
    } else if (out_count + count <= sizeof out) {
        memcpy(out + out_count, bytes, count);
        out_count += count;
    }
}

void board_set_wheels(int32_t left_mmps, int32_t right_mmps)
{
    if (live && (left_mmps != wheels[0] || right_mmps != wheels[1]))
        dprintf(2, "%u %d %d\n", (unsigned)board_now_ms(), (int)left_mmps, (int)right_mmps);
    wheels[0] = left_mmps;
    wheels[1] = right_mmps;
}

static uint32_t number(const uint8_t *bytes, int count)
{
    uint32_t value = 0;
    while (count--)
        value = value << 8 | bytes[count];
    return value;
}

static void put(uint32_t value, int count)
{
    while (count--) {
        putchar((int)(value & 255));
        value >>= 8;
    }
}

int main(int argc, char **argv)
{
    uint8_t head[6];
    if (argc != 4)
        return 2;
    live = strcmp(argv[1], "live") == 0;
    if (live) {
        struct timespec pause = {0, 1000000};
        fcntl(0, F_SETFL, fcntl(0, F_GETFL) | O_NONBLOCK);
        board_start(atoi(argv[2]), atoi(argv[3]));
        for (;;) {
            board_poll();
            nanosleep(&pause, NULL);
            if (getppid() == 1)
                return 0; /* the test has ended */
        }
    }
    board_start(atoi(argv[2]), atoi(argv[3]));
    while (fread(head, 1, sizeof head, stdin) == sizeof head) {
        now_ms = number(head, 4);
        in_count = number(head + 4, 2);
        in_next = out_count = 0;
        if (fread(in, 1, in_count, stdin) != in_count)
            return 1;
        do
            board_poll();
        while (in_next < in_count);
        put((uint32_t)out_count, 2);
        fwrite(out, 1, out_count, stdout);
        put((uint32_t)wheels[0], 4);
        put((uint32_t)wheels[1], 4);
    }
    return 0;
}
