/* Test driver of fray_record: "encode" and "decode" between a plain list on one side and the line on the other;
 * "tight" sends on a line that is full now and then; "answer" answers commands.
 * An item of the list: type u8, flags u16, sequence u32, time u64, length u32, payload; little-endian. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fray_record.h"

static uint8_t room[FRAY_HEADER_OCTETS + FRAY_MAX_PAYLOAD + FRAY_CRC_OCTETS];

static int put(void *context, const uint8_t *octets, size_t count)
{
    return fwrite(octets, 1, count, (FILE *)context) == count;
}

static void put_number(uint64_t value, int octets)
{
    while (octets-- > 0) {
        putchar((int)(value & 0xFF));
        value >>= 8;
    }
}

/* A line that takes only so many octets of each record. */
static size_t budget;

static int put_some(void *context, const uint8_t *octets, size_t count)
{
    if (count > budget) {
        budget = 0;
        return 0;
    }
    budget -= count;
    return put(context, octets, count);
}

/* Line data of 1000 octets, each with the budget that the list on stdin (u16 each) gives it. */
static int tight(void)
{
    static uint8_t data[1000];
    struct fray_encoder e;
    uint8_t octets[2];
    uint64_t number = 0;
    memset(data, 0x55, sizeof data);
    data[600] = 0;
    fray_encoder_init(&e, put_some, stdout);
    while (fread(octets, 1, 2, stdin) == 2) {
        budget = fray_get_u16(octets);
        putc(fray_send_data(&e, FRAY_OCTETS, 0, number, number, 0, 2, data, sizeof data) ? '1' : '0', stderr);
        number++;
    }
    fprintf(stderr, " %lu\n", (unsigned long)e.aborted);
    return 0;
}

/* Commands on stdin, answers on stdout: each new one is carried out and counted, every third is refused. */
static int answer(void)
{
    struct fray_encoder e;
    struct fray_decoder d;
    struct fray_record command;
    int octet, done = 0;
    char text[32];
    fray_encoder_init(&e, put, stdout);
    fray_decoder_init(&d, room, FRAY_COMMAND_OCTETS);
    while ((octet = getchar()) != EOF) {
        if (!fray_receive(&d, (uint8_t)octet, &command) || fray_repeated(&e, 5, &command)) {
            continue;
        }
        sprintf(text, "done %d", ++done);
        if (done % 3 == 0) {
            fray_refuse(&e, 5, &command, FRAY_NOT_NOW, text);
        } else {
            fray_acknowledge(&e, 5, &command, 40u + (unsigned)done, text);
        }
    }
    return 0;
}

int main(int argc, char **argv)
{
    if (argc > 1 && strcmp(argv[1], "tight") == 0) {
        return tight();
    }
    if (argc > 1 && strcmp(argv[1], "answer") == 0) {
        return answer();
    }
    if (argc > 1 && strcmp(argv[1], "encode") == 0) {
        struct fray_encoder e;
        uint8_t head[19];
        fray_encoder_init(&e, put, stdout);
        e.begun = 1; /* the list says which record is the first */
        while (fread(head, 1, sizeof head, stdin) == sizeof head) {
            size_t length = fray_get_u32(head + 15), half = length / 2;
            if (length > sizeof room || fread(room, 1, length, stdin) != length) {
                return 2;
            }
            e.sequence = fray_get_u32(head + 3);
            fray_begin(&e, head[0], fray_get_u16(head + 1), fray_get_u64(head + 7));
            fray_add(&e, room, half); /* in two calls, as firmware would */
            fray_add(&e, room + half, length - half);
            fray_end(&e);
        }
        return 0;
    }
    if (argc > 1 && strcmp(argv[1], "decode") == 0) {
        struct fray_decoder d;
        struct fray_record record;
        int octet;
        size_t size = argc > 2 ? (size_t)strtoul(argv[2], NULL, 10) : sizeof room;
        fray_decoder_init(&d, room, size);
        while ((octet = getchar()) != EOF) {
            if (fray_receive(&d, (uint8_t)octet, &record)) {
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
