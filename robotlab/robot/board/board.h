/* The board's side of the line protocol between computer and motor board.
 *
 * What is said on the line, and what a board must do, stands in
 * robotlab/control/line_protocol.py; robotlab/control/board.py does the same
 * in Python, and the tests hold the two together.
 *
 * To use it, write the four functions at the end of this file for your board,
 * call board_start() once and then board_poll() as often as you can, at least
 * every 5 ms.  No memory is taken while it runs; there is one board a program.
 *
 * Wheels off the ground first, a hand on the switch that cuts the power.  A
 * stop in software is not a safety function (IEC 60204-1, ISO 13850).  Use your
 * chip's hardware watchdog as well: feed it beside board_poll(), nowhere else.
 */
#ifndef ROBOTLAB_BOARD_H
#define ROBOTLAB_BOARD_H

#include <stddef.h>
#include <stdint.h>

/* Without a line that was done for so long the wheels ramp to a halt. */
#define BOARD_TIMEOUT_MS 250u
/* Longest line, without its line feed. */
#define BOARD_LONGEST_LINE 64u
/* A GO must be at most so far ahead of the last line done. */
#define BOARD_AHEAD 255u

/* Begin at rest.  Commands faster than max_mmps are refused; max_accel_mmps2
 * is the ramp to a halt: at least as hard as the computer's. */
void board_start(int32_t max_mmps, int32_t max_accel_mmps2);

/* Read what has come, act on it, and tell the motors their speeds. */
void board_poll(void);

/* --- yours to write ------------------------------------------------------ */

/* Milliseconds since the start; may start again at 0 after 2^32 - 1. */
uint32_t board_now_ms(void);

/* The next byte of the serial line, or -1 if there is none; it never waits. */
int board_read(void);

/* Send these bytes; what cannot be sent at once may be dropped. */
void board_write(const char *bytes, size_t count);

/* Drive the wheels at these speeds, forward +; both 0: let go of the motors. */
void board_set_wheels(int32_t left_mmps, int32_t right_mmps);

#endif
