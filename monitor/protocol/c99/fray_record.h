/*
 * The record protocol of framefray, board side: C99, no malloc, only string.h, stdint.h and stddef.h.
 * C++ compiles it, too.
 *
 * Sending needs no buffer for a whole record: fray_begin, any number of fray_add, fray_end. Receiving needs one
 * buffer of the caller, FRAY_COMMAND_OCTETS for commands. The layouts are those of PROTOCOL.md; all numbers little-endian.
 * Use an encoder or decoder from one thread (or interrupt level) at a time.
 */
#ifndef FRAY_RECORD_H
#define FRAY_RECORD_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define FRAY_VERSION 1u
#define FRAY_HEADER_OCTETS 16u
#define FRAY_CRC_OCTETS 4u
#define FRAY_MAX_DATA 65536u
#define FRAY_MAX_PAYLOAD (FRAY_MAX_DATA + 16u)
#define FRAY_MAX_COMMAND_PAYLOAD 256u
/* Buffer for the longest command: header, payload, check sequence. */
#define FRAY_COMMAND_OCTETS (FRAY_HEADER_OCTETS + FRAY_MAX_COMMAND_PAYLOAD + FRAY_CRC_OCTETS)
/* Octets of one 64B/66B block in FRAY_BLOCKS: one with the two header bits, eight of payload. */
#define FRAY_BLOCK_OCTETS 9u
/* Text kept of the last answer, for a command that comes again; a longer text is cut. May be set by the compiler. */
#ifndef FRAY_ANSWER_TEXT
#define FRAY_ANSWER_TEXT 200u
#endif

enum fray_type {
    /* line data, from the board */
    FRAY_OCTETS = 0x01,
    FRAY_FLAGGED = 0x02,
    FRAY_CONTROL = 0x03,
    FRAY_BLOCKS = 0x04,
    /* the rest, from the board */
    FRAY_STATUS = 0x10,
    FRAY_EVENT = 0x11,
    FRAY_LOG = 0x12,
    FRAY_LINE_CODE = 0x13,
    FRAY_ACKNOWLEDGE = 0x20,
    FRAY_REFUSE = 0x21,
    /* commands, to the board */
    FRAY_ASK_STATUS = 0x40,
    FRAY_SET_LOOPBACK = 0x41,
    FRAY_RESET_TRANSCEIVER = 0x42,
    FRAY_SET_TRAFFIC = 0x43,
    FRAY_INJECT_FAULT = 0x44,
    FRAY_SELECT_DATA = 0x45,
    FRAY_SEND_FRAME = 0x46
};

/* Flags of a record. */
enum fray_flag { FRAY_FIRST = 1, FRAY_LOST = 2, FRAY_UNCUT = 4 };

/* Line rate option: 1 to 10 stand for themselves. */
enum fray_option { FRAY_OPTION_UNKNOWN = 0, FRAY_OPTION_7A = 0x7A };

enum fray_sync_state { FRAY_XACQ1 = 0, FRAY_XACQ2 = 1, FRAY_XSYNC1 = 2, FRAY_XSYNC2 = 3, FRAY_HFNSYNC = 4 };

enum fray_loopback {
    FRAY_LOOPBACK_NONE = 0,
    FRAY_LOOPBACK_INTERNAL = 1,
    FRAY_LOOPBACK_CABLE = 2,
    FRAY_LOOPBACK_PAIR = 3
};

/* fray_status.flags */
enum fray_status_flag {
    FRAY_LOS = 1,
    FRAY_LOF = 2,
    FRAY_TRANSMITTER_ON = 4,
    FRAY_RECEIVER_READY = 8,
    FRAY_FEC = 16,        /* options 7A to 10: the link runs with RS-FEC */
    FRAY_BLOCK_LOCK = 32, /* options 7A to 10 */
    FRAY_SCRAMBLED = 64   /* options 5 to 7: what is received is scrambled (protocol version 2) */
};

/* fray_line_code.flags */
enum fray_line_code_flag { FRAY_FEC_LOCK = 1, FRAY_SEED_KNOWN = 2, FRAY_PHASE_KNOWN = 4 };

/* fray_status.alignment_bits */
#define FRAY_ALIGNMENT_UNKNOWN 0xFFu

enum fray_event {
    FRAY_STARTED = 1,
    FRAY_SYNC_ACQUIRED = 2,
    FRAY_SYNC_LOST = 3,
    FRAY_LOS_RAISED = 4,
    FRAY_LOS_CLEARED = 5,
    FRAY_TRANSCEIVER_RESET = 6, /* value: as in the command */
    FRAY_LOOPBACK_SET = 7,      /* value: enum fray_loopback */
    FRAY_TRAFFIC_SET = 8,       /* value: plane * 256 + percent */
    FRAY_FAULT_PLACED = 9,
    FRAY_DATA_LOST = 10,    /* value: hyperframes lost */
    FRAY_DATA_SELECTED = 11 /* value: type of the line data, 0 for none */
};

/* FRAY_RESET_TRANSCEIVER, payload[0] */
enum fray_transceiver { FRAY_TRANSMITTER = 1, FRAY_RECEIVER = 2, FRAY_BOTH = 3 };

/* FRAY_SET_TRAFFIC and FRAY_SEND_FRAME, payload[0] */
enum fray_plane { FRAY_IQ = 1, FRAY_HDLC = 2, FRAY_ETHERNET = 3, FRAY_VENDOR = 4 };

enum fray_reason {
    FRAY_UNKNOWN_COMMAND = 1, /* the board does not have this command */
    FRAY_MALFORMED = 2,       /* payload too short, or a text that cannot be read */
    FRAY_OUT_OF_RANGE = 3,    /* a value outside its range; a hyperframe that is past */
    FRAY_NOT_SUPPORTED = 4,   /* known command, but not this value or fault on this board */
    FRAY_NOT_NOW = 5          /* possible later: no sync, or no room for another fault */
};

/* ---- sending ------------------------------------------------------------------------------------------- */

/*
 * Takes octets for the serial line, 1 to 255 at a time. Return 1 where all of them were taken.
 * Return 0 where there is no room for all (take none of them then): the record is aborted, see fray_abort.
 * A board that may wait until the UART has room waits here and always returns 1.
 */
typedef int (*fray_put)(void *context, const uint8_t *octets, size_t count);

/* The last answer, kept for a command that comes again. */
struct fray_answer {
    uint8_t given; /* 0: none yet */
    uint8_t type;  /* FRAY_ACKNOWLEDGE or FRAY_REFUSE */
    uint8_t command;
    uint8_t reason;
    uint32_t sequence; /* of the command */
    uint64_t hyperframe;
    char text[FRAY_ANSWER_TEXT + 1u];
};

struct fray_encoder {
    fray_put put;
    void *context;
    uint32_t sequence; /* of the next record */
    uint32_t crc;
    uint32_t aborted;   /* records that were aborted, since fray_encoder_init */
    uint8_t block[255]; /* COBS block in the making: its code, then up to 254 octets */
    uint8_t used;       /* octets in it */
    uint8_t pending;    /* a full block has left and nothing came after it */
    uint8_t failed;     /* the record in hand is aborted: its rest is dropped */
    uint8_t begun;      /* a record has been sent since fray_encoder_init */
    uint8_t is_data;    /* the record in hand is line data */
    uint8_t cut;        /* the line holds a part of a record; the next one begins behind its end */
    uint8_t lost;       /* line data were lost: the next line data get FRAY_LOST */
    struct fray_answer last;
};

/* The first record after this gets FRAY_FIRST by itself. */
void fray_encoder_init(struct fray_encoder *e, fray_put put, void *context);

/* One record in parts. fray_end returns 1 where the whole record was taken, 0 where it was aborted. */
void fray_begin(struct fray_encoder *e, uint8_t type, uint16_t flags, uint64_t time_ns);
void fray_add(struct fray_encoder *e, const void *octets, size_t count);
void fray_add_u8(struct fray_encoder *e, uint8_t value);
void fray_add_u16(struct fray_encoder *e, uint16_t value);
void fray_add_u32(struct fray_encoder *e, uint32_t value);
void fray_add_u64(struct fray_encoder *e, uint64_t value);
int fray_end(struct fray_encoder *e);
/*
 * Give up the record in hand; called in the place of fray_end. What has left already is made invalid for certain
 * (octets FF 00 follow it, before the next record at the latest), so the other side drops and counts it.
 */
void fray_abort(struct fray_encoder *e);

/* Whole records; 1 where it was taken, 0 where it was aborted. `option`: 1 to 10 or FRAY_OPTION_7A; texts: UTF-8. */
int fray_send_data(struct fray_encoder *e, uint8_t type, uint16_t flags, uint64_t time_ns, uint64_t hyperframe,
                   uint32_t offset, uint8_t option, const uint8_t *data, size_t count);
int fray_send_log(struct fray_encoder *e, uint64_t time_ns, const char *text);
int fray_send_event(struct fray_encoder *e, uint64_t time_ns, uint8_t code, uint32_t value, uint64_t hyperframe);

struct fray_status {
    uint8_t option;
    uint8_t data_type;      /* FRAY_OCTETS, FRAY_FLAGGED, FRAY_CONTROL, FRAY_BLOCKS, or 0 for none */
    uint8_t sync_state;     /* enum fray_sync_state */
    uint8_t loopback;       /* enum fray_loopback */
    uint16_t flags;         /* enum fray_status_flag */
    uint8_t alignment_bits; /* 0 to 9 (64B/66B: 0 to 65), or FRAY_ALIGNMENT_UNKNOWN */
    uint32_t delay_clocks;  /* sync byte sent to sync byte received; 0 unknown */
    uint32_t clock_period_ps;
    uint64_t hyperframes; /* received since the start: the number of the next hyperframe of line data */
    uint32_t code_violations;
    uint32_t disparity_errors;
    uint32_t los_events;
    uint32_t lof_events;
    uint32_t resets;
    uint32_t data_lost; /* hyperframes received but not sent */
    uint32_t bad_records;
    const char *name;
};

int fray_send_status(struct fray_encoder *e, uint64_t time_ns, const struct fray_status *status);

/* For options 5 to 10, behind each status. */
struct fray_line_code {
    uint8_t protocol_version;     /* received in Z.2.0; 0 unknown */
    uint8_t flags;                /* enum fray_line_code_flag */
    uint16_t codeword_phase_bits; /* 0 to 5279 */
    uint32_t seed;                /* of the version 2 scrambler */
    uint32_t block_header_errors;
    uint32_t block_lock_losses;
    uint32_t fec_corrected_codewords;
    uint32_t fec_corrected_symbols;
    uint32_t fec_uncorrected_codewords;
    uint32_t fec_lock_losses;
    uint32_t scrambling_seed_changes;
};

int fray_send_line_code(struct fray_encoder *e, uint64_t time_ns, const struct fray_line_code *state);

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

/*
 * The retry rule. Call it first for each command. 1: the command came before; its answer has been sent again, and
 * it must not be carried out again (behind FRAY_ASK_STATUS the status follows each time). 0: a new command.
 */
int fray_repeated(struct fray_encoder *e, uint64_t time_ns, const struct fray_record *command);
/* One of these two answers each new command, and is kept for fray_repeated. `text` may be NULL. */
int fray_acknowledge(struct fray_encoder *e, uint64_t time_ns, const struct fray_record *command,
                     uint64_t hyperframe, const char *text);
int fray_refuse(struct fray_encoder *e, uint64_t time_ns, const struct fray_record *command, uint8_t reason,
                const char *text);

/*
 * FRAY_SEND_FRAME: the frame to send, without flags, preamble, SFD and FCS; *octets lies in the decoder's buffer.
 * 0, or the reason to refuse it with.
 */
int fray_frame_to_send(const struct fray_record *command, uint8_t *plane, const uint8_t **octets, size_t *count);

/* ---- parts --------------------------------------------------------------------------------------------- */

/* CRC-32 of IEEE 802.3; begin with 0, carry the result on. */
uint32_t fray_crc32(uint32_t crc, const uint8_t *octets, size_t count);
uint16_t fray_get_u16(const uint8_t *octets);
uint32_t fray_get_u32(const uint8_t *octets);
uint64_t fray_get_u64(const uint8_t *octets);

#ifdef __cplusplus
}
#endif

#endif
