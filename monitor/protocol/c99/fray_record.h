/*
 * The record protocol of framefray, board side: C99, no malloc, nothing but string.h, stdint.h and stddef.h.
 *
 * Sending takes no buffer for a whole record: fray_begin, any number of fray_add, fray_end. Receiving takes one of the
 * caller's, FRAY_COMMAND_OCTETS for commands. The layouts are those of PROTOCOL.md; all numbers little-endian.
 * An encoder or decoder is used from one thread (or interrupt level) at a time.
 */
#ifndef FRAY_RECORD_H
#define FRAY_RECORD_H

#include <stddef.h>
#include <stdint.h>

#define FRAY_VERSION 1u
#define FRAY_HEADER_OCTETS 16u
#define FRAY_CRC_OCTETS 4u
#define FRAY_MAX_DATA 65536u
#define FRAY_MAX_PAYLOAD (FRAY_MAX_DATA + 16u)
#define FRAY_MAX_COMMAND_PAYLOAD 256u
/* Buffer for the longest command: header, payload, check sequence. */
#define FRAY_COMMAND_OCTETS (FRAY_HEADER_OCTETS + FRAY_MAX_COMMAND_PAYLOAD + FRAY_CRC_OCTETS)

enum fray_type {
    FRAY_OCTETS = 0x01,
    FRAY_FLAGGED = 0x02,
    FRAY_CONTROL = 0x03,
    FRAY_STATUS = 0x10,
    FRAY_EVENT = 0x11,
    FRAY_LOG = 0x12,
    FRAY_ACKNOWLEDGE = 0x20,
    FRAY_REFUSE = 0x21,
    FRAY_ASK_STATUS = 0x40,
    FRAY_SET_LOOPBACK = 0x41,
    FRAY_RESET_TRANSCEIVER = 0x42,
    FRAY_SET_TRAFFIC = 0x43,
    FRAY_INJECT_FAULT = 0x44,
    FRAY_SELECT_DATA = 0x45
};

enum fray_flag { FRAY_FIRST = 1, FRAY_LOST = 2, FRAY_UNCUT = 4 };

enum fray_reason {
    FRAY_UNKNOWN_COMMAND = 1,
    FRAY_MALFORMED = 2,
    FRAY_OUT_OF_RANGE = 3,
    FRAY_NOT_SUPPORTED = 4,
    FRAY_NOT_NOW = 5
};

/* ---- sending ------------------------------------------------------------------------------------------- */

/* Takes octets for the serial line; called with at most 255 at a time. */
typedef void (*fray_put)(void *context, const uint8_t *octets, size_t count);

struct fray_encoder {
    fray_put put;
    void *context;
    uint32_t sequence; /* of the next record */
    uint32_t crc;
    uint8_t block[255]; /* COBS block in the making: its code, then up to 254 octets */
    uint8_t used;       /* octets in it */
    uint8_t pending;    /* a full block has left and nothing came after it */
};

void fray_encoder_init(struct fray_encoder *e, fray_put put, void *context);
void fray_begin(struct fray_encoder *e, uint8_t type, uint16_t flags, uint64_t time_ns);
void fray_add(struct fray_encoder *e, const void *octets, size_t count);
void fray_add_u8(struct fray_encoder *e, uint8_t value);
void fray_add_u16(struct fray_encoder *e, uint16_t value);
void fray_add_u32(struct fray_encoder *e, uint32_t value);
void fray_add_u64(struct fray_encoder *e, uint64_t value);
void fray_end(struct fray_encoder *e);

/* Whole records. `option` is 1 to 10, 0x7A for 7A, 0 for unknown; texts are UTF-8 and end with a 0 octet. */
void fray_send_data(struct fray_encoder *e, uint8_t type, uint16_t flags, uint64_t time_ns, uint64_t hyperframe,
                  uint32_t offset, uint8_t option, const uint8_t *data, size_t count);
void fray_send_log(struct fray_encoder *e, uint64_t time_ns, const char *text);
void fray_send_event(struct fray_encoder *e, uint64_t time_ns, uint8_t code, uint32_t value, uint64_t hyperframe);

struct fray_status {
    uint8_t option;
    uint8_t data_type;  /* FRAY_OCTETS, FRAY_FLAGGED, FRAY_CONTROL, or 0 for none */
    uint8_t sync_state; /* 0 XACQ1, 1 XACQ2, 2 XSYNC1, 3 XSYNC2, 4 HFNSYNC */
    uint8_t loopback;   /* 0 none, 1 internal, 2 cable, 3 pair */
    uint16_t flags;     /* 1 LOS, 2 LOF, 4 transmitter on, 8 receiver ready */
    uint8_t alignment_bits; /* 0 to 9, 0xFF unknown */
    uint32_t delay_clocks;
    uint32_t clock_period_ps;
    uint64_t hyperframes;
    uint32_t code_violations;
    uint32_t disparity_errors;
    uint32_t los_events;
    uint32_t lof_events;
    uint32_t resets;
    uint32_t data_lost;
    uint32_t bad_records;
    const char *name;
};

void fray_send_status(struct fray_encoder *e, uint64_t time_ns, const struct fray_status *status);

/* ---- receiving ----------------------------------------------------------------------------------------- */

struct fray_record {
    uint8_t type;
    uint16_t flags;
    uint32_t sequence;
    uint64_t time_ns;
    const uint8_t *payload; /* in the decoder's buffer, until the next call */
    size_t length;
};

struct fray_decoder {
    uint8_t *buffer;
    size_t size;
    size_t length;
    uint8_t left;      /* octets left in the COBS block */
    uint8_t code;      /* code of that block */
    uint8_t begun;     /* something came since the last delimiter */
    uint8_t too_long;
    uint32_t records;
    uint32_t bad_records;
};

void fray_decoder_init(struct fray_decoder *d, uint8_t *buffer, size_t size);
/* One octet from the line; 1 where it completes a good record, which is then in *record, else 0. */
int fray_receive(struct fray_decoder *d, uint8_t octet, struct fray_record *record);

void fray_acknowledge(struct fray_encoder *e, uint64_t time_ns, const struct fray_record *command,
                    uint64_t hyperframe, const char *text);
void fray_refuse(struct fray_encoder *e, uint64_t time_ns, const struct fray_record *command, uint8_t reason,
               const char *text);

/* ---- parts --------------------------------------------------------------------------------------------- */

/* CRC-32 of IEEE 802.3; begin with 0, carry the result on. */
uint32_t fray_crc32(uint32_t crc, const uint8_t *octets, size_t count);
uint16_t fray_get_u16(const uint8_t *octets);
uint32_t fray_get_u32(const uint8_t *octets);
uint64_t fray_get_u64(const uint8_t *octets);

#endif
