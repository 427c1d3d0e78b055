/* A receiver for slow C&M only: octets of line data on standard input, records on standard output.
 *
 *     cc -std=c99 -O2 -o hdlc_only hdlc_only.c && ./hdlc_only OPTION < line.octets
 *
 * It knows where a hyperframe begins by K28.5 (0xBC, without its flag here) with the fillers beside it, or
 * at option 1 by 0xBC one hyperframe apart three times; it follows no loss of sync. CPRI V7.0 clause
 * 4.2.7 (places), ISO/IEC 13239 (HDLC), RFC 1662 appendix C (FCS-16).
 */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MAX_FRAME = 2048, BASIC_FRAMES = 256, WORDS = 16 };

static unsigned word_octets, hyperframe_octets;
static uint8_t frame[2 * MAX_FRAME];
static unsigned long bits;     /* of the frame so far, stuffed zeros left out */
static unsigned ones;          /* consecutive ones before the next bit */
static int in_frame, dropped;  /* behind a flag; whether the last zero was taken for a stuffed one */

static unsigned at(unsigned x, unsigned y) { return x * WORDS * word_octets + y; }

static void put(const char *name, const uint8_t *data, unsigned long count)
{
    printf(",\"%s\":\"", name);
    for (unsigned long i = 0; i < count; i++)
        printf("%02x", data[i]);
    putchar('"');
}

static int fcs_good(unsigned long octets)
{
    unsigned fcs = 0xFFFF;
    for (unsigned long i = 0; i < octets; i++) {
        fcs ^= frame[i];
        for (int b = 0; b < 8; b++)
            fcs = fcs & 1 ? fcs >> 1 ^ 0x8408 : fcs >> 1;
    }
    return fcs == 0xF0B8;
}

static void tell(const char *status, unsigned long octets, int with_fcs, long hyperframe, const uint8_t *hf)
{
    unsigned long kept = octets < sizeof frame ? octets : sizeof frame;
    unsigned long data = with_fcs && octets >= 2 ? kept - 2 : kept;
    printf("{\"plane\":\"hdlc\",\"hyperframe\":%ld,\"bfn\":%u,\"hfn\":%u,\"length\":%lu,\"status\":\"%s\"",
           hyperframe, hf[at(128, 0)] | (hf[at(192, 0)] & 15u) << 8, hf[at(64, 0)], octets, status);
    put("data", frame, data);
    put("fcs", frame + data, kept - data);
    puts("}");
}

static void judge(unsigned long count, long hyperframe, const uint8_t *hf)
{
    unsigned long octets = count / 8;
    if (count == 0)
        return;
    if (count % 8)
        tell("unaligned", octets, 0, hyperframe, hf);
    else if (octets < 4)
        tell("too_short", octets, 1, hyperframe, hf);
    else if (octets > MAX_FRAME)
        tell("too_long", octets, 1, hyperframe, hf);
    else
        tell(fcs_good(octets) ? "good" : "fcs", octets, 1, hyperframe, hf);
}

static void keep(unsigned bit)
{
    if (bits < 8 * sizeof frame) {
        if (bits % 8 == 0)
            frame[bits / 8] = 0;
        frame[bits / 8] |= (uint8_t)(bit << bits % 8);
    }
    bits++;
}

static void take_bit(unsigned bit, long hyperframe, const uint8_t *hf)
{
    if (bit) {
        if (++ones < 7) {
            if (in_frame)
                keep(1);
        } else {
            if (in_frame && bits >= 6 + 8)
                tell("abort", (bits - 6) / 8, 0, hyperframe, hf);
            in_frame = 0;
        }
        return;
    }
    if (ones == 6) { /* a flag: a zero and six ones of it stand among the bits */
        unsigned long own = dropped ? 6 : 7;
        if (in_frame && bits > own)
            judge(bits - own, hyperframe, hf);
        in_frame = 1;
        bits = 0;
        dropped = 0;
    } else {
        dropped = ones == 5;
        if (!dropped && in_frame)
            keep(0);
    }
    ones = 0;
}

static void take_hyperframe(const uint8_t *hf, long number)
{
    static const unsigned of_code[] = {0, 1, 1, 2, 4, 5, 0, 0};
    unsigned code = hf[at(66, 0)] & 7, y_count = code == 6 ? word_octets : of_code[code];
    if (y_count > word_octets || y_count > 16)
        return;
    for (unsigned xs = 0; xs < 4; xs++) {
        if (code == 1 && xs % 2)
            continue; /* 240 kbit/s: Z.1.0 and Z.129.0 */
        for (unsigned y = 0; y < y_count; y++)
            for (unsigned b = 0; b < 8; b++)
                take_bit(hf[at(1 + 64 * xs, y)] >> b & 1, number, hf);
    }
}

static int begins(const uint8_t *data, size_t size, size_t where)
{
    for (int i = 0; i < 3; i++, where += hyperframe_octets) {
        if (where + hyperframe_octets > size)
            return i > 0;
        if (data[where] != 0xBC)
            return 0;
        for (unsigned y = 1; y < word_octets; y++)
            if (data[where + y] != 0x50 && !(y == 1 && data[where + y] == 0xC5))
                return 0;
    }
    return 1;
}

int main(int argc, char **argv)
{
    static const char *const names[] = {"1", "2", "3", "4", "5", "6", "7"};
    static const unsigned octets_of[] = {1, 2, 4, 5, 8, 10, 16};
    for (int i = 0; i < 7; i++)
        if (argc == 2 && strcmp(argv[1], names[i]) == 0)
            word_octets = octets_of[i];
    if (word_octets == 0) {
        fputs("usage: hdlc_only OPTION (1 to 7)\n", stderr);
        return 2;
    }
    hyperframe_octets = BASIC_FRAMES * WORDS * word_octets;
    ones = 7; /* what came before is not known, so no flag begins there */
    puts("{\"event\":\"serves\",\"serves\":[\"hdlc\"]}");

    size_t room = 4 * (size_t)hyperframe_octets, size = 0, got;
    uint8_t *data = malloc(room);
    long number = 0;
    int synced = 0;
    if (data == NULL)
        return 1;
    do {
        got = fread(data + size, 1, room - size, stdin);
        size += got;
        size_t where = 0;
        while (!synced && where < size && !(synced = begins(data, size, where)) &&
               (got == 0 || where + 3 * (size_t)hyperframe_octets < size))
            where++;
        for (; synced && where + hyperframe_octets <= size; where += hyperframe_octets)
            take_hyperframe(data + where, number++);
        memmove(data, data + where, size -= where);
    } while (got > 0);
    free(data);
    return 0;
}
