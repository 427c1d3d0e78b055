// Drives board_sim: three clocks, line bits with a delay, the phase of the receiver's clock drawn anew at each reset, and one
// TCP connection with the octet stream. Usage: board_sim PORT [SEED [DELAY_UI]]. Prints "ready PORT"; ends on SIGTERM or
// when the parent closes standard input.
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

#include <string>

#include "Vboard_sim.h"
#include "verilated.h"

static volatile sig_atomic_t ended = 0;
static void on_end(int) { ended = 1; }
double sc_time_stamp() { return 0; }

int main(int argc, char **argv)
{
    if (argc < 2) return 2;
    signal(SIGTERM, on_end);
    signal(SIGINT, on_end);
    signal(SIGPIPE, SIG_IGN);
    uint32_t chance = argc > 2 ? (uint32_t)atoi(argv[2]) * 2654435761u + 1u : 12345u;
    const uint64_t delay = argc > 3 ? (uint64_t)atoi(argv[3]) : 237u; // UI

    int listener = socket(AF_INET, SOCK_STREAM, 0), one = 1;
    setsockopt(listener, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons((uint16_t)atoi(argv[1]));
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (bind(listener, (sockaddr *)&address, sizeof address) || listen(listener, 1)) return perror("board_sim"), 2;
    socklen_t size = sizeof address;
    getsockname(listener, (sockaddr *)&address, &size);
    fcntl(listener, F_SETFL, O_NONBLOCK);
    printf("ready %d\n", ntohs(address.sin_port));
    fflush(stdout);

    Vboard_sim board;
    uint8_t line[4096]; // bits on their way, a ring
    for (auto &bit : line) bit = 0;
    int host = -1;
    std::string out, in;
    size_t in_at = 0;
    uint64_t ui = 0;
    unsigned phase = 3, was_reset = 0, since_poll = 0;
    board.rst = 1;
    board.out_ready = 0;
    board.in_valid = 0;
    while (!ended) {
        if (ui == 400) board.rst = 0;
        // clk has a period of 2 UI, tx_clk of one character; rx_clk rises `phase` UI after tx_clk.
        const bool even = ui % 2 == 0;
        if (ui % 10 == 0) {
            for (unsigned i = 0; i < 10; i++) line[(ui + i) & 4095] = board.tx_symbol >> i & 1;
            if (board.reset_receiver && !was_reset) {
                chance = chance * 1664525u + 1013904223u;
                phase = (chance >> 16) % 10;
            }
            was_reset = board.reset_receiver;
        }
        if (even) {
            if (board.out_valid && board.out_ready && !board.rst) out.push_back((char)board.out_data);
            const bool room = host < 0 || out.size() < 1u << 18;
            if (host < 0) out.clear();
            const bool more = in_at < in.size();
            const uint8_t octet = more ? (uint8_t)in[in_at++] : 0;
            board.clk = 1;
            if (ui % 10 == 0) board.tx_clk = 1;
            board.eval();
            // Inputs change behind the edge.
            board.out_ready = room;
            board.in_valid = more;
            board.in_data = octet;
        } else
            board.clk = 0;
        if (ui % 10 == 5) board.tx_clk = 0;
        if (ui % 10 == phase) {
            uint32_t bits = 0;
            for (unsigned i = 0; i < 10; i++)
                if (ui + i >= delay + 10) bits |= (uint32_t)line[(ui + i - delay - 10) & 4095] << i;
            board.rx_bits = bits;
            board.eval();
            board.rx_clk = 1;
        }
        if (ui % 10 == (phase + 5) % 10) board.rx_clk = 0;
        board.eval();
        ui++;
        if (++since_poll < 20000) continue;
        since_poll = 0;
        pollfd parent{0, POLLIN, 0};
        if (poll(&parent, 1, 0) > 0 && (parent.revents & (POLLHUP | POLLIN))) {
            char c;
            if (read(0, &c, 1) <= 0) break;
        }
        if (host < 0) {
            host = accept(listener, nullptr, nullptr);
            if (host >= 0) {
                fcntl(host, F_SETFL, O_NONBLOCK);
                setsockopt(host, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
                in.clear();
                in_at = 0;
            }
        }
        if (host >= 0) {
            if (in_at == in.size()) {
                char room[512];
                ssize_t n = recv(host, room, sizeof room, 0);
                in_at = 0;
                in.assign(room, n > 0 ? (size_t)n : 0);
                if (n == 0) close(host), host = -1;
            }
            while (host >= 0 && !out.empty()) {
                ssize_t n = send(host, out.data(), out.size(), 0);
                if (n <= 0) {
                    if (n < 0 && errno == EAGAIN) break;
                    close(host), host = -1;
                    break;
                }
                out.erase(0, (size_t)n);
            }
        }
    }
    return 0;
}
