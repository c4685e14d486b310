#include "board.h"

#include <stdbool.h>
#include <string.h>

/* A flood of bytes must not keep the ramp waiting: at most so many a poll. */
#define BYTES_A_POLL 64
/* Of a line: GO or HALT, its number, two speeds, and one to see that there are more. */
#define MOST_NUMBERS 4

static struct {
    int32_t max_mmps, accel_mmps2;
    /* Speeds in um/s: a ramp of whole mm/s^2 takes a whole number of them each millisecond. */
    int32_t speed_umps[2], goal_umps[2];
    uint32_t heard_ms, since_ms;
    bool halted, ramping, wants_zero;
    bool counted; /* last is the number of a line */
    uint16_t last;
    char line[BOARD_LONGEST_LINE];
    size_t length;
    bool too_long;
} board;

/* --- wheels ---------------------------------------------------------------- */

static void begin_to_halt(uint32_t since_ms)
{
    board.halted = board.ramping = true;
    board.since_ms = since_ms;
    board.goal_umps[0] = board.goal_umps[1] = 0;
}

/* Bring the wheels to where they are now. */
static void update(uint32_t now_ms)
{
    if (!board.halted && now_ms - board.heard_ms > BOARD_TIMEOUT_MS) {
        begin_to_halt(board.heard_ms + BOARD_TIMEOUT_MS);
        board.wants_zero = true;
    }
    if (!board.ramping)
        return;
    int64_t room = (int64_t)board.accel_mmps2 * (now_ms - board.since_ms);
    board.since_ms = now_ms;
    board.ramping = false;
    for (int i = 0; i < 2; i++) {
        int64_t left = (int64_t)board.goal_umps[i] - board.speed_umps[i];
        if (left > room)
            left = room;
        if (left < -room)
            left = -room;
        board.speed_umps[i] += (int32_t)left;
        board.ramping = board.ramping || board.speed_umps[i] != board.goal_umps[i];
    }
}

static void drive(uint32_t now_ms, const int32_t *speeds_mmps)
{
    board.heard_ms = now_ms;
    board.halted = board.wants_zero = false;
    for (int i = 0; i < 2; i++) {
        board.goal_umps[i] = 1000 * speeds_mmps[i];
        /* A halt runs to where the new command meets it: no wheel jumps. */
        if (!board.ramping)
            board.speed_umps[i] = board.goal_umps[i];
    }
}

/* --- lines ----------------------------------------------------------------- */

static uint16_t crc16(const char *bytes, size_t count)
{
    uint16_t crc = 0xFFFF;
    for (size_t i = 0; i < count; i++) {
        crc ^= (uint16_t)((uint8_t)bytes[i] << 8);
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)(crc & 0x8000 ? (crc << 1) ^ 0x1021 : crc << 1);
    }
    return crc;
}

static void put_check(char *four, const char *bytes, size_t count)
{
    uint16_t crc = crc16(bytes, count);
    for (int i = 0; i < 4; i++)
        four[i] = "0123456789ABCDEF"[crc >> (12 - 4 * i) & 15];
}

static void answer(uint16_t seq, const char *refusal)
{
    char out[32]; /* "NO 65535 halted*CCCC\n" is the longest */
    char digits[5];
    size_t count = 0, length = 3;
    memcpy(out, refusal ? "NO " : "OK ", 3);
    do
        digits[count++] = (char)('0' + seq % 10);
    while (seq /= 10);
    while (count)
        out[length++] = digits[--count];
    if (refusal) {
        out[length++] = ' ';
        memcpy(out + length, refusal, strlen(refusal));
        length += strlen(refusal);
    }
    out[length] = '*';
    put_check(out + length + 1, out, length);
    out[length + 5] = '\n';
    board_write(out, length + 6);
}

/* A minus or none, one to five digits, then the end of the word. */
static bool read_number(const char *word, size_t length, int32_t *number)
{
    bool minus = length && word[0] == '-';
    size_t i = minus;
    *number = 0;
    if (length - i < 1 || length - i > 5)
        return false;
    for (; i < length; i++) {
        if (word[i] < '0' || word[i] > '9')
            return false;
        *number = 10 * *number + (word[i] - '0');
    }
    if (minus)
        *number = -*number;
    return true;
}

static bool is_word(const char *line, size_t length, const char *word)
{
    return length == strlen(word) && memcmp(line, word, length) == 0;
}

static bool too_fast(int32_t speed_mmps)
{
    return speed_mmps > board.max_mmps || speed_mmps < -board.max_mmps;
}

static void do_line(const char *line, size_t length)
{
    char check[4];
    int32_t numbers[MOST_NUMBERS];
    size_t count = 0, word = 0;

    while (length && line[length - 1] == '\r')
        length--;
    if (length < 5 || line[length - 5] != '*')
        return;
    put_check(check, line, length - 5);
    if (memcmp(check, line + length - 4, 4) != 0)
        return;
    length -= 5;
    for (size_t i = 0; i < length; i++)
        if ((uint8_t)line[i] > 127)
            return;
    while (word < length && line[word] != ' ')
        word++;
    for (size_t begin = word; begin < length;) {
        size_t end = ++begin;
        int32_t number;
        while (end < length && line[end] != ' ')
            end++;
        if (!read_number(line + begin, end - begin, &number))
            return;
        if (count < MOST_NUMBERS)
            numbers[count++] = number;
        begin = end;
    }
    if (!count || numbers[0] < 0 || numbers[0] > UINT16_MAX)
        return;

    uint32_t now_ms = board_now_ms();
    uint16_t seq = (uint16_t)numbers[0], ahead = (uint16_t)(seq - board.last);
    bool is_new = !board.counted || (ahead >= 1 && ahead <= BOARD_AHEAD);
    update(now_ms);
    if (is_word(line, word, "GO") && count == 3) {
        bool zero = !numbers[1] && !numbers[2];
        bool rests = !board.goal_umps[0] && !board.goal_umps[1];
        if (too_fast(numbers[1]) || too_fast(numbers[2])) {
            answer(seq, "fast");
        } else if (!zero && board.wants_zero) {
            answer(seq, "halted");
        } else if (!is_new && !(zero && rests)) {
            answer(seq, "old");
        } else {
            board.last = seq;
            board.counted = true;
            drive(now_ms, numbers + 1);
            answer(seq, NULL);
        }
    } else if (is_word(line, word, "HALT") && count == 1) {
        if (is_new)
            board.last = seq;
        board.counted = true;
        board.wants_zero = false;
        if (!board.halted)
            begin_to_halt(now_ms);
        answer(seq, NULL);
    } else {
        answer(seq, "word");
    }
}

/* --- the two that are called ------------------------------------------------- */

void board_start(int32_t max_mmps, int32_t max_accel_mmps2)
{
    memset(&board, 0, sizeof board);
    board.max_mmps = max_mmps;
    board.accel_mmps2 = max_accel_mmps2;
    board.halted = true;
    /* As after a time-out: power that came back moves no wheel. */
    board.wants_zero = true;
    board_set_wheels(0, 0);
}

void board_poll(void)
{
    int byte;
    for (int i = 0; i < BYTES_A_POLL && (byte = board_read()) >= 0; i++) {
        if (byte == '\n') {
            if (!board.too_long)
                do_line(board.line, board.length);
            board.length = 0;
            board.too_long = false;
        } else if (board.length == BOARD_LONGEST_LINE) {
            board.too_long = true;
        } else {
            board.line[board.length++] = (char)byte;
        }
    }
    update(board_now_ms());
    board_set_wheels(board.speed_umps[0] / 1000, board.speed_umps[1] / 1000);
}
