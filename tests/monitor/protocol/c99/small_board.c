/* A whole board, written from PROTOCOL.md and fray_record.h alone: option 1, internal loopback, no C&M channels.
 * argv: hyperframes a second, and the terminal (else standard input, set not to block). Five kinds of faults. */
#define _POSIX_C_SOURCE 200809L
#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include "fray_record.h"

#define OCTETS 4096 /* of a hyperframe: 256 basic frames of 16 words of 1 octet */
#define WAITING 8   /* faults */

static const struct kind { /* what FAULTS.md says of a fault: its parameters with range and default */
    const char *name;
    struct parameter { const char *key; long low, high, usual; } parameters[5];
    int lasts;     /* which parameter is the duration */
    uint16_t mask; /* bit of Z.130.0 */
} kinds[] = {
    {"l1.rai", {{"hyperframes", 1, 100000, 1}}, 0, 2},
    {"l1.sdi", {{"hyperframes", 1, 100000, 1}}, 0, 4},
    {"sync.comma", {{"count", 1, 16, 1}}, 0, 0},
    {"sync.hfn", {{"value", 0, 255, 200}}, -1, 0},
    {"vendor.value", {{"ns", 16, 63, 20}, {"xs", 0, 3, 1}, {"y", 0, 0, 0}, {"value", 0, 255, 165},
     {"hyperframes", 0, 100000, 0}}, 4, 0}};

#define KINDS (sizeof kinds / sizeof *kinds)
static struct fault { const struct kind *kind; uint64_t at, until; long value[5]; } faults[WAITING];
static int line, patience_ms = 300, dark; /* hyperframes without sync, after a reset */
static struct fray_encoder out;
static struct fray_decoder in;
static struct fray_status status = {
    .option = 1, .data_type = FRAY_FLAGGED, .loopback = FRAY_LOOPBACK_INTERNAL, .delay_clocks = 147,
    .clock_period_ps = 16276, .name = "RE-2 in C"};

static int put(void *context, const uint8_t *octets, size_t count)
{
    struct pollfd room = {line, POLLOUT, 0};
    ssize_t n = write(line, octets, count);
    (void)context;
    for (; n < (ssize_t)count; n = write(line, octets, count)) {
        octets += n > 0 ? n : 0;
        count -= n > 0 ? (size_t)n : 0;
        if (poll(&room, 1, patience_ms) <= 0)
            return 0; /* no room: the record is aborted */
    }
    return 1;
}

static uint64_t now(void) { return status.hyperframes * 200000u / 3u; }

static void send_status(void)
{
    status.sync_state = dark ? FRAY_XACQ1 : FRAY_HFNSYNC;
    status.flags = FRAY_TRANSMITTER_ON | (dark ? FRAY_LOF : FRAY_RECEIVER_READY);
    status.bad_records = in.bad_records;
    fray_send_status(&out, now(), &status);
}

/* Reads plane.what[@hyperframe][:key=value,...] into *f; 0, or the reason to refuse it. */
static int read_fault(char *text, struct fault *f)
{
    char *at, *values = strchr(text, ':'), *end = text;
    size_t i = 0, k;
    if (values != NULL)
        *values++ = 0;
    if ((at = strchr(text, '@')) != NULL)
        *at++ = 0;
    while (i < KINDS && strcmp(kinds[i].name, text) != 0)
        i++;
    if (i == KINDS)
        return strchr(text, '.') == NULL ? FRAY_MALFORMED : FRAY_NOT_SUPPORTED;
    f->kind = &kinds[i];
    f->at = at == NULL ? status.hyperframes : strtoull(at, &end, 10);
    if (at != NULL && (*end != 0 || end == at))
        return FRAY_MALFORMED;
    const struct parameter *p = f->kind->parameters;
    for (k = 0; k < 5; k++)
        f->value[k] = p[k].usual;
    while (values != NULL && *values != 0) {
        char *is = strchr(values, '=');
        if (is == NULL)
            return FRAY_MALFORMED;
        *is++ = 0;
        for (k = 0; k < 5 && p[k].key != NULL && strcmp(p[k].key, values) != 0;)
            k++;
        if (k == 5 || p[k].key == NULL)
            return FRAY_OUT_OF_RANGE;
        f->value[k] = strtol(is, &values, 10);
        if (values == is || (*values != 0 && *values++ != ','))
            return FRAY_MALFORMED;
        if (f->value[k] < p[k].low || f->value[k] > p[k].high)
            return FRAY_OUT_OF_RANGE;
    }
    f->until = f->at + (f->kind->lasts < 0 ? 1u : (uint64_t)f->value[f->kind->lasts]);
    f->until = f->until == f->at ? UINT64_MAX : f->until; /* 0: until the end */
    return f->at < status.hyperframes ? FRAY_OUT_OF_RANGE : 0;
}

static void obey(const struct fray_record *c)
{
    char text[FRAY_MAX_COMMAND_PAYLOAD + 1] = {0};
    struct fault fault = {0};
    int i = 0, reason = 0;
    uint8_t value = c->length > 0 ? c->payload[0] : 0xFFu;
    if (c->type == FRAY_RESET_TRANSCEIVER) {
        reason = value < 1 || value > 3 ? FRAY_OUT_OF_RANGE : 0;
        dark = reason ? dark : 4;
        status.resets += reason ? 0 : 1;
        status.alignment_bits = (uint8_t)(rand() % 5); /* within half a clock, so the count stays */
    } else if (c->type == FRAY_SELECT_DATA) {
        reason = value == 0 || value == FRAY_FLAGGED || value == FRAY_CONTROL ? 0 : FRAY_NOT_SUPPORTED;
        status.data_type = reason ? status.data_type : value;
    } else if (c->type == FRAY_INJECT_FAULT) {
        memcpy(text, c->payload, c->length);
        reason = read_fault(text, &fault);
        while (i < WAITING - 1 && faults[i].kind != NULL)
            i++;
        if (reason == 0 && faults[i].kind != NULL)
            reason = FRAY_NOT_NOW;
        else if (reason == 0)
            faults[i] = fault;
    } else if (c->type != FRAY_ASK_STATUS) {
        reason = FRAY_UNKNOWN_COMMAND;
    }
    if (reason)
        fray_refuse(&out, now(), c, (uint8_t)reason, "not on this board, or not now");
    else
        fray_acknowledge(&out, now(), c, fault.kind ? fault.at : status.hyperframes, NULL);
}

static void hyperframe(void) /* Z.X.0 is word[16 * X] */
{
    static uint16_t word[OCTETS];
    static uint8_t data[2 * OCTETS];
    uint64_t n = status.hyperframes;
    int i, step = status.data_type == FRAY_CONTROL ? 16 : 1; /* control words are each 16th */
    for (i = 0; i < OCTETS; i++)
        word[i] = i % 16 ? (uint16_t)((i * 7 + (int)(n % 256)) & 0xFF) : 0; /* IQ data; control words */
    word[0] = 0x1BC; /* K28.5 */
    word[16 * 2] = 1; /* protocol version; rate code and pointer are 0 */
    word[16 * 64] = (uint16_t)(n % 150);
    word[16 * 128] = (uint16_t)(n / 150 % 4096 & 0xFF);
    word[16 * 192] = (uint16_t)(n / 150 % 4096 >> 8);
    for (i = 0; i < WAITING; i++) {
        const struct fault *f = &faults[i];
        if (f->kind && n >= f->at && n < f->until) {
            if (f->kind->mask)
                word[16 * 130] |= f->kind->mask;
            else if (f->kind->lasts < 0)
                word[16 * 64] = (uint16_t)f->value[0];
            else if (f->kind->lasts == 0)
                word[0] = 0x50; /* D16.2 */
            else
                word[16 * (64 * f->value[1] + f->value[0])] = (uint16_t)f->value[3];
        }
        faults[i].kind = n + 1 >= f->until ? NULL : f->kind;
    }
    for (i = 0; i < 2 * OCTETS / step; i++)
        data[i] = (uint8_t)(i % 2 ? word[i / 2 * step] >> 8 : word[i / 2 * step] & 0xFF);
    patience_ms = 20; /* line data can be dropped */
    if (status.data_type
        && !fray_send_data(&out, status.data_type, 0, now(), n, 0, 1, data, sizeof data / (size_t)step))
        status.data_lost++;
    patience_ms = 300;
    status.hyperframes++;
}

int main(int argc, char **argv)
{
    static uint8_t room[FRAY_COMMAND_OCTETS];
    unsigned each = (argc > 1 ? (unsigned)atoi(argv[1]) : 1000u) / 200u + 1u, i, rounds;
    struct fray_record command;
    uint8_t octet;
    line = argc < 3 ? STDIN_FILENO : open(argv[2], O_RDWR | O_NOCTTY | O_NONBLOCK);
    struct pollfd ready = {line, POLLIN, 0};
    fray_encoder_init(&out, put, NULL);
    fray_decoder_init(&in, room, sizeof room);
    fray_send_log(&out, now(), "started");
    for (rounds = 0;; rounds++) {
        while (poll(&ready, 1, 0) > 0) {
            if (read(line, &octet, 1) != 1)
                return 0;
            if (!fray_receive(&in, octet, &command) || command.type < FRAY_ASK_STATUS)
                continue;
            if (!fray_repeated(&out, now(), &command))
                obey(&command);
            if (command.type == FRAY_ASK_STATUS)
                send_status();
        }
        if (rounds % 200u == 0)
            send_status();
        for (i = 0; i < each; i++)
            dark > 0 ? (void)dark-- : hyperframe();
        poll(NULL, 0, 5);
    }
}
