"""The record protocol between a board and framefray on a serial line; PROTOCOL.md has it byte by byte."""
