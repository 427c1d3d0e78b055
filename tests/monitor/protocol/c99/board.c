/* A board in C for the tests: argv[1] is a terminal, argv[2] flagged hyperframes, argv[3] octets of one.
 * Sends them one a record, again and again until told to stop; answers commands as PROTOCOL.md says. */
#define _POSIX_C_SOURCE 200809L
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "fray_record.h"

static int line;
static struct fray_encoder out;
static uint64_t hyperframe;
static uint8_t data_type = FRAY_FLAGGED;
static uint32_t injected;
static struct fray_decoder in;

static int put(void *context, const uint8_t *octets, size_t count)
{
    (void)context;
    while (count > 0) {
        ssize_t n = write(line, octets, count);
        if (n <= 0) {
            exit(0);
        }
        octets += n;
        count -= (size_t)n;
    }
    return 1;
}

static void send_status(void)
{
    struct fray_status s;
    memset(&s, 0, sizeof s);
    s.option = 1;
    s.data_type = data_type;
    s.sync_state = 4;
    s.loopback = 1;
    s.flags = 12;
    s.hyperframes = hyperframe;
    s.clock_period_ps = 16276;
    s.bad_records = in.bad_records;
    s.resets = injected;
    s.name = "RE-1 in C";
    fray_send_status(&out, hyperframe * 200000u / 3u, &s);
}

static void obey(const struct fray_record *command)
{
    uint64_t now = hyperframe * 200000u / 3u;
    if (fray_repeated(&out, now, command)) {
        if (command->type == FRAY_ASK_STATUS) {
            send_status();
        }
        return;
    }
    switch (command->type) {
    case FRAY_ASK_STATUS:
        fray_acknowledge(&out, now, command, hyperframe, NULL);
        send_status();
        return;
    case FRAY_INJECT_FAULT:
        injected++;
        fray_acknowledge(&out, now, command, hyperframe + 1, "vendor.value:ns=20,xs=1,y=0,value=165,hyperframes=0");
        return;
    case FRAY_SELECT_DATA:
        if (command->length < 1 || command->payload[0] > 2) {
            fray_refuse(&out, now, command, FRAY_OUT_OF_RANGE, "0, 1 or 2");
            return;
        }
        data_type = command->payload[0];
        fray_acknowledge(&out, now, command, hyperframe, NULL);
        return;
    default:
        fray_refuse(&out, now, command, FRAY_NOT_SUPPORTED, "not on this board");
    }
}

int main(int argc, char **argv)
{
    static uint8_t store[1 << 20], room[FRAY_COMMAND_OCTETS];
    size_t size, each, i;
    FILE *file;
    if (argc < 4 || (line = open(argv[1], O_RDWR | O_NOCTTY)) < 0 || (file = fopen(argv[2], "rb")) == NULL) {
        return 2;
    }
    size = fread(store, 1, sizeof store, file);
    fclose(file);
    each = (size_t)strtoul(argv[3], NULL, 10);
    fray_encoder_init(&out, put, NULL);
    fray_decoder_init(&in, room, sizeof room);
    fray_send_log(&out, 0, "started");
    send_status();
    for (i = 0;; i += each) {
        struct pollfd ready;
        struct fray_record command;
        uint8_t octets[256];
        ssize_t n, k;
        ready.fd = line;
        ready.events = POLLIN;
        while (poll(&ready, 1, data_type ? 0 : 20) > 0) {
            n = read(line, octets, sizeof octets);
            if (n <= 0) {
                return 0;
            }
            for (k = 0; k < n; k++) {
                if (fray_receive(&in, octets[k], &command)) {
                    obey(&command);
                }
            }
        }
        if (i + each > size) {
            i = 0;
        }
        if (data_type) {
            /* In two pieces, as a board with little memory would. */
            size_t half = each / 4u * 2u;
            fray_send_data(&out, FRAY_FLAGGED, 0, hyperframe * 200000u / 3u, hyperframe, 0, 1, store + i, half);
            fray_send_data(&out, FRAY_FLAGGED, 0, hyperframe * 200000u / 3u, hyperframe, (uint32_t)half, 1,
                         store + i + half, each - half);
            put(NULL, (const uint8_t *)"tick\r\n", 6);
            hyperframe++;
        }
    }
}
