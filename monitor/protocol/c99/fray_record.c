/* The record protocol of framefray, board side; see fray_record.h and PROTOCOL.md. */
#include "fray_record.h"

#include <string.h>

/* ---- parts --------------------------------------------------------------------------------------------- */

/* Half an octet at a time: 64 octets of table. Polynomial 04C11DB7, bit-reversed (IEEE 802.3 3.2.9). */
static const uint32_t crc_table[16] = {
    0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
    0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu
};

uint32_t fray_crc32(uint32_t crc, const uint8_t *octets, size_t count)
{
    crc = ~crc;
    while (count-- > 0) {
        crc ^= *octets++;
        crc = (crc >> 4) ^ crc_table[crc & 15u];
        crc = (crc >> 4) ^ crc_table[crc & 15u];
    }
    return ~crc;
}

uint16_t fray_get_u16(const uint8_t *octets)
{
    return (uint16_t)(octets[0] | ((uint16_t)octets[1] << 8));
}

uint32_t fray_get_u32(const uint8_t *octets)
{
    return (uint32_t)fray_get_u16(octets) | ((uint32_t)fray_get_u16(octets + 2) << 16);
}

uint64_t fray_get_u64(const uint8_t *octets)
{
    return (uint64_t)fray_get_u32(octets) | ((uint64_t)fray_get_u32(octets + 4) << 32);
}

/* ---- sending ------------------------------------------------------------------------------------------- */

static const uint8_t delimiter = 0;
/* A code that promises 254 octets, and the end of the record: never a whole record. */
static const uint8_t spoiled[2] = {255u, 0u};

void fray_encoder_init(struct fray_encoder *e, fray_put put, void *context)
{
    memset(e, 0, sizeof *e);
    e->put = put;
    e->context = context;
}

static void put_octets(struct fray_encoder *e, const uint8_t *octets, size_t count)
{
    if (!e->failed && !e->put(e->context, octets, count)) {
        e->failed = 1;
    }
}

static void flush_block(struct fray_encoder *e)
{
    e->block[0] = (uint8_t)(e->used + 1u);
    put_octets(e, e->block, (size_t)e->used + 1u);
    e->used = 0;
}

static void add_coded(struct fray_encoder *e, const uint8_t *octets, size_t count)
{
    while (count-- > 0) {
        uint8_t octet = *octets++;
        e->pending = 0;
        if (octet == 0) {
            flush_block(e); /* the block's end stands for the zero */
            continue;
        }
        e->block[1u + e->used++] = octet;
        if (e->used == 254u) {
            flush_block(e); /* a full block stands for no zero; another follows only if octets do */
            e->pending = 1;
        }
    }
}

void fray_add(struct fray_encoder *e, const void *octets, size_t count)
{
    if (e->failed) {
        return;
    }
    e->crc = fray_crc32(e->crc, (const uint8_t *)octets, count);
    add_coded(e, (const uint8_t *)octets, count);
}

void fray_add_u8(struct fray_encoder *e, uint8_t value)
{
    fray_add(e, &value, 1);
}

void fray_add_u16(struct fray_encoder *e, uint16_t value)
{
    uint8_t octets[2];
    octets[0] = (uint8_t)(value & 0xFFu);
    octets[1] = (uint8_t)(value >> 8);
    fray_add(e, octets, sizeof octets);
}

void fray_add_u32(struct fray_encoder *e, uint32_t value)
{
    fray_add_u16(e, (uint16_t)(value & 0xFFFFu));
    fray_add_u16(e, (uint16_t)(value >> 16));
}

void fray_add_u64(struct fray_encoder *e, uint64_t value)
{
    fray_add_u32(e, (uint32_t)(value & 0xFFFFFFFFu));
    fray_add_u32(e, (uint32_t)(value >> 32));
}

void fray_begin(struct fray_encoder *e, uint8_t type, uint16_t flags, uint64_t time_ns)
{
    int is_data = type >= FRAY_OCTETS && type <= FRAY_BLOCKS;
    e->failed = 0;
    if (e->cut) {
        put_octets(e, spoiled, sizeof spoiled);
        e->cut = e->failed;
    }
    put_octets(e, &delimiter, 1);
    e->crc = 0;
    e->used = 0;
    e->pending = 0;
    e->is_data = (uint8_t)is_data;
    if (!e->begun) {
        flags |= FRAY_FIRST;
    }
    if (is_data && e->lost) {
        flags |= FRAY_LOST;
    }
    fray_add_u8(e, FRAY_VERSION);
    fray_add_u8(e, type);
    fray_add_u16(e, flags);
    fray_add_u32(e, e->sequence++);
    fray_add_u64(e, time_ns);
}

int fray_end(struct fray_encoder *e)
{
    fray_add_u32(e, e->crc);
    if (!e->pending) {
        flush_block(e);
    }
    put_octets(e, &delimiter, 1);
    if (e->failed) {
        fray_abort(e);
        return 0;
    }
    e->begun = 1;
    if (e->is_data) {
        e->lost = 0;
    }
    return 1;
}

void fray_abort(struct fray_encoder *e)
{
    e->aborted++;
    e->used = 0;
    e->cut = 1;
    if (e->is_data) {
        e->lost = 1;
    }
    if (!e->failed && e->put(e->context, spoiled, sizeof spoiled)) {
        e->cut = 0;
    }
    e->failed = 1;
}

static void add_text(struct fray_encoder *e, const char *text)
{
    if (text != NULL) {
        fray_add(e, text, strlen(text));
    }
}

static void add_zeros(struct fray_encoder *e, size_t count)
{
    while (count-- > 0) {
        fray_add_u8(e, 0);
    }
}

int fray_send_data(struct fray_encoder *e, uint8_t type, uint16_t flags, uint64_t time_ns, uint64_t hyperframe,
                   uint32_t offset, uint8_t option, const uint8_t *data, size_t count)
{
    fray_begin(e, type, flags, time_ns);
    fray_add_u64(e, hyperframe);
    fray_add_u32(e, offset);
    fray_add_u8(e, option);
    add_zeros(e, 3);
    fray_add(e, data, count);
    return fray_end(e);
}

int fray_send_log(struct fray_encoder *e, uint64_t time_ns, const char *text)
{
    fray_begin(e, FRAY_LOG, 0, time_ns);
    add_text(e, text);
    return fray_end(e);
}

int fray_send_event(struct fray_encoder *e, uint64_t time_ns, uint8_t code, uint32_t value, uint64_t hyperframe)
{
    fray_begin(e, FRAY_EVENT, 0, time_ns);
    fray_add_u8(e, code);
    add_zeros(e, 3);
    fray_add_u32(e, value);
    fray_add_u64(e, hyperframe);
    return fray_end(e);
}

int fray_send_status(struct fray_encoder *e, uint64_t time_ns, const struct fray_status *status)
{
    fray_begin(e, FRAY_STATUS, 0, time_ns);
    fray_add_u8(e, status->option);
    fray_add_u8(e, status->data_type);
    fray_add_u8(e, status->sync_state);
    fray_add_u8(e, status->loopback);
    fray_add_u16(e, status->flags);
    fray_add_u8(e, status->alignment_bits);
    fray_add_u8(e, 0);
    fray_add_u32(e, status->delay_clocks);
    fray_add_u32(e, status->clock_period_ps);
    fray_add_u64(e, status->hyperframes);
    fray_add_u32(e, status->code_violations);
    fray_add_u32(e, status->disparity_errors);
    fray_add_u32(e, status->los_events);
    fray_add_u32(e, status->lof_events);
    fray_add_u32(e, status->resets);
    fray_add_u32(e, status->data_lost);
    fray_add_u32(e, status->bad_records);
    add_text(e, status->name);
    return fray_end(e);
}

int fray_send_line_code(struct fray_encoder *e, uint64_t time_ns, const struct fray_line_code *state)
{
    fray_begin(e, FRAY_LINE_CODE, 0, time_ns);
    fray_add_u8(e, state->protocol_version);
    fray_add_u8(e, state->flags);
    fray_add_u16(e, state->codeword_phase_bits);
    fray_add_u32(e, state->seed);
    fray_add_u32(e, state->block_header_errors);
    fray_add_u32(e, state->block_lock_losses);
    fray_add_u32(e, state->fec_corrected_codewords);
    fray_add_u32(e, state->fec_corrected_symbols);
    fray_add_u32(e, state->fec_uncorrected_codewords);
    fray_add_u32(e, state->fec_lock_losses);
    fray_add_u32(e, state->scrambling_seed_changes);
    return fray_end(e);
}

/* ---- answers ------------------------------------------------------------------------------------------- */

static int send_answer(struct fray_encoder *e, uint64_t time_ns)
{
    const struct fray_answer *a = &e->last;
    fray_begin(e, a->type, 0, time_ns);
    fray_add_u32(e, a->sequence);
    fray_add_u8(e, a->command);
    if (a->type == FRAY_ACKNOWLEDGE) {
        add_zeros(e, 3);
        fray_add_u64(e, a->hyperframe);
    } else {
        fray_add_u8(e, a->reason);
        add_zeros(e, 2);
    }
    add_text(e, a->text);
    return fray_end(e);
}

static int answer(struct fray_encoder *e, uint64_t time_ns, const struct fray_record *command, uint8_t type,
                  uint8_t reason, uint64_t hyperframe, const char *text)
{
    struct fray_answer *a = &e->last;
    size_t length = text == NULL ? 0 : strlen(text);
    if (length > FRAY_ANSWER_TEXT) {
        length = FRAY_ANSWER_TEXT;
    }
    a->given = 1;
    a->type = type;
    a->command = command->type;
    a->reason = reason;
    a->sequence = command->sequence;
    a->hyperframe = hyperframe;
    if (length > 0) {
        memmove(a->text, text, length);
    }
    a->text[length] = 0;
    return send_answer(e, time_ns);
}

int fray_repeated(struct fray_encoder *e, uint64_t time_ns, const struct fray_record *command)
{
    if (!e->last.given || e->last.sequence != command->sequence || e->last.command != command->type) {
        return 0;
    }
    (void)send_answer(e, time_ns);
    return 1;
}

int fray_acknowledge(struct fray_encoder *e, uint64_t time_ns, const struct fray_record *command,
                     uint64_t hyperframe, const char *text)
{
    return answer(e, time_ns, command, FRAY_ACKNOWLEDGE, 0, hyperframe, text);
}

int fray_refuse(struct fray_encoder *e, uint64_t time_ns, const struct fray_record *command, uint8_t reason,
                const char *text)
{
    return answer(e, time_ns, command, FRAY_REFUSE, reason, 0, text);
}

int fray_frame_to_send(const struct fray_record *command, uint8_t *plane, const uint8_t **octets, size_t *count)
{
    size_t least = command->length > 0 && command->payload[0] == FRAY_ETHERNET ? 14u : 2u;
    if (command->length < 4u + least) {
        return FRAY_MALFORMED;
    }
    *plane = command->payload[0];
    *octets = command->payload + 4;
    *count = command->length - 4u;
    return *plane == FRAY_HDLC || *plane == FRAY_ETHERNET ? 0 : FRAY_OUT_OF_RANGE;
}

/* ---- receiving ----------------------------------------------------------------------------------------- */

static void start_record(struct fray_decoder *d)
{
    d->length = 0;
    d->left = 0;
    d->code = 0;
    d->begun = 0;
    d->too_long = 0;
}

void fray_decoder_init(struct fray_decoder *d, uint8_t *buffer, size_t size)
{
    memset(d, 0, sizeof *d);
    d->buffer = buffer;
    d->size = size;
}

static void keep(struct fray_decoder *d, uint8_t octet)
{
    if (d->length < d->size) {
        d->buffer[d->length++] = octet;
    } else {
        d->too_long = 1;
    }
}

static int finish_record(struct fray_decoder *d, struct fray_record *record)
{
    size_t body;
    if (d->left != 0 || d->too_long || d->length < FRAY_HEADER_OCTETS + FRAY_CRC_OCTETS) {
        return 0;
    }
    body = d->length - FRAY_CRC_OCTETS;
    if (fray_crc32(0, d->buffer, body) != fray_get_u32(d->buffer + body) || d->buffer[0] != FRAY_VERSION) {
        return 0;
    }
    record->type = d->buffer[1];
    record->flags = fray_get_u16(d->buffer + 2);
    record->sequence = fray_get_u32(d->buffer + 4);
    record->time_ns = fray_get_u64(d->buffer + 8);
    record->payload = d->buffer + FRAY_HEADER_OCTETS;
    record->length = body - FRAY_HEADER_OCTETS;
    return 1;
}

int fray_receive(struct fray_decoder *d, uint8_t octet, struct fray_record *record)
{
    int good = 0;
    if (octet == 0) {
        if (d->begun) {
            good = finish_record(d, record);
            if (good) {
                d->records++;
            } else {
                d->bad_records++;
            }
        }
        start_record(d);
        return good;
    }
    if (d->left == 0) {
        /* A code. The block before it stood for a zero at its end, unless it was full. */
        if (d->begun && d->code != 255u) {
            keep(d, 0);
        }
        d->begun = 1;
        d->code = octet;
        d->left = (uint8_t)(octet - 1u);
        return 0;
    }
    keep(d, octet);
    d->left--;
    return 0;
}
