/* Test driver of ff_record: "encode" and "decode" between a plain list on one side and the line on the other.
 * An item of the list: type u8, flags u16, sequence u32, time u64, length u32, payload; little-endian. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "ff_record.h"

static uint8_t room[FF_HEADER_OCTETS + FF_MAX_PAYLOAD + FF_CRC_OCTETS];

static void put(void *context, const uint8_t *octets, size_t count)
{
    fwrite(octets, 1, count, (FILE *)context);
}

static void put_number(uint64_t value, int octets)
{
    while (octets-- > 0) {
        putchar((int)(value & 0xFF));
        value >>= 8;
    }
}

int main(int argc, char **argv)
{
    if (argc > 1 && strcmp(argv[1], "encode") == 0) {
        struct ff_encoder e;
        uint8_t head[19];
        ff_encoder_init(&e, put, stdout);
        while (fread(head, 1, sizeof head, stdin) == sizeof head) {
            size_t length = ff_get_u32(head + 15), half = length / 2;
            if (length > sizeof room || fread(room, 1, length, stdin) != length) {
                return 2;
            }
            e.sequence = ff_get_u32(head + 3);
            ff_begin(&e, head[0], ff_get_u16(head + 1), ff_get_u64(head + 7));
            ff_add(&e, room, half); /* in two calls, as firmware would */
            ff_add(&e, room + half, length - half);
            ff_end(&e);
        }
        return 0;
    }
    if (argc > 1 && strcmp(argv[1], "decode") == 0) {
        struct ff_decoder d;
        struct ff_record record;
        int octet;
        size_t size = argc > 2 ? (size_t)strtoul(argv[2], NULL, 10) : sizeof room;
        ff_decoder_init(&d, room, size);
        while ((octet = getchar()) != EOF) {
            if (ff_receive(&d, (uint8_t)octet, &record)) {
                putchar(record.type);
                put_number(record.flags, 2);
                put_number(record.sequence, 4);
                put_number(record.time_ns, 8);
                put_number(record.length, 4);
                fwrite(record.payload, 1, record.length, stdout);
            }
        }
        fprintf(stderr, "%lu %lu\n", (unsigned long)d.records, (unsigned long)d.bad_records);
        return 0;
    }
    return 2;
}
