"""What deploy/service-test needs beside the shell: a thread that stands still, and peers on the network.

hold PID NAME            stops one thread of the process, by its name, until this program ends
registrar                answers REGISTER at port 5060: 401, then 200
call ADDRESS USER SECONDS [FROM]    calls USER at ADDRESS:5060, speaks so long, hangs up
stream ADDRESS:PORT SECONDS         sends RTP to a multicast group
"""

import array
import ctypes
import math
import os
import re
import signal
import socket
import struct
import sys
import time


def say(text):
    print(f"{time.time():.3f} {text}", flush=True)


def hold(pid, name):
    seize, interrupt, all_threads = 0x4206, 0x4207, 0x40000000
    tasks = f"/proc/{pid}/task"
    found = [t for t in os.listdir(tasks) if open(f"{tasks}/{t}/comm").read().strip() == name]
    if len(found) != 1:
        sys.exit(f"not one thread {name!r} of {pid}, but {len(found)}")
    thread = int(found[0])
    libc = ctypes.CDLL(None, use_errno=True)
    libc.ptrace.argtypes = [ctypes.c_long] * 4
    for request in (seize, interrupt):
        if libc.ptrace(request, thread, 0, 0) != 0:
            sys.exit(f"ptrace: {os.strerror(ctypes.get_errno())}")
    os.waitpid(thread, all_threads)
    say(f"holding thread {name}")
    # Whatever else the tracer is told, the thread gets no word to go on. It is let go by the end of either.
    while True:
        try:
            _, status = os.waitpid(thread, all_threads)
        except ChildProcessError:
            return
        if os.WIFEXITED(status) or os.WIFSIGNALED(status):
            return


def header(message, name):
    found = re.search(rf"^{name}:[ \t]*(.*?)\r$", message, re.I | re.M)
    return found.group(1) if found else ""


def registrar():
    at = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    at.bind(("0.0.0.0", 5060))
    say("listening")
    while True:
        octets, peer = at.recvfrom(65535)
        message = octets.decode(errors="replace")
        if not message.startswith("REGISTER "):
            continue
        known = header(message, "Authorization") != ""
        say(f"REGISTER of {header(message, 'To')} from {peer[0]}, {'with' if known else 'without'} a password")
        via = header(message, "Via").replace(";rport", f";received={peer[0]};rport={peer[1]}", 1)
        lines = [
            "SIP/2.0 200 OK" if known else "SIP/2.0 401 Unauthorized",
            f"Via: {via}",
            f"From: {header(message, 'From')}",
            f"To: {header(message, 'To')};tag=quayside",
            f"Call-ID: {header(message, 'Call-ID')}",
            f"CSeq: {header(message, 'CSeq')}",
            f"Contact: {header(message, 'Contact')};expires=3600"
            if known
            else 'WWW-Authenticate: Digest realm="quayside.example", nonce="heron", algorithm=MD5, qop="auth"',
            "Content-Length: 0",
        ]
        at.sendto(("\r\n".join(lines) + "\r\n\r\n").encode(), peer)


def mu_law(sample):
    sign = 0x80 if sample < 0 else 0
    magnitude = min(abs(sample), 32635) + 132
    exponent = magnitude.bit_length() - 8
    return ~(sign | exponent << 4 | magnitude >> exponent + 3 & 15) & 0xFF


def speak(out, to, seconds):
    # A tone that comes and goes like words.
    began = time.monotonic()
    for number in range(int(seconds * 50)):
        level = 8000 * abs(math.sin(number / 12))
        samples = array.array("B", (mu_law(int(level * math.sin((number * 160 + n) * 0.5))) for n in range(160)))
        out.sendto(struct.pack("!BBHII", 0x80, 0, number, number * 160, 0x5A5A0001) + samples.tobytes(), to)
        time.sleep(max(0, began + (number + 1) / 50 - time.monotonic()))


def call(address, user, seconds, caller="foreman"):
    sip = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sip.connect((address, 5060))
    sip.settimeout(5)
    here, port = sip.getsockname()
    rtp = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    rtp.bind((here, 0))
    tag = f"{time.time_ns():x}"
    body = (
        f"v=0\r\no=- 1 1 IN IP4 {here}\r\ns=-\r\nc=IN IP4 {here}\r\nt=0 0\r\n"
        f"m=audio {rtp.getsockname()[1]} RTP/AVP 0\r\na=ptime:20\r\n"
    )

    def send(method, number, to_tag="", text=""):
        lines = [
            f"{method} sip:{user}@{address} SIP/2.0",
            f"Via: SIP/2.0/UDP {here}:{port};branch=z9hG4bK{tag}{method}{number};rport",
            "Max-Forwards: 70",
            f"From: <sip:{caller}@quayside.example>;tag={tag}",
            f"To: <sip:{user}@{address}>{to_tag}",
            f"Call-ID: {tag}",
            f"CSeq: {number} {method}",
            f"Contact: <sip:{caller}@{here}:{port}>",
        ] + (["Content-Type: application/sdp"] if text else [])
        sip.send(("\r\n".join(lines) + f"\r\nContent-Length: {len(text)}\r\n\r\n{text}").encode())

    def answer():
        while True:
            message = sip.recv(65535).decode(errors="replace")
            if message.startswith("SIP/2.0 ") and not message.startswith("SIP/2.0 1"):
                return message

    send("INVITE", 1, text=body)
    message = answer()
    to_tag = ";tag=" + header(message, "To").partition(";tag=")[2]
    send("ACK", 1, to_tag)
    say(message.partition("\r\n")[0])
    if not message.startswith("SIP/2.0 200"):
        return
    port_there = int(re.search(r"^m=audio (\d+)", message, re.M).group(1))
    speak(rtp, (address, port_there), float(seconds))
    send("BYE", 2, to_tag)
    say(answer().partition("\r\n")[0])


def stream(group, seconds):
    address, _, port = group.partition(":")
    out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    out.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 1)
    speak(out, (address, int(port)), float(seconds))


signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
{"hold": lambda pid, name: hold(int(pid), name), "registrar": registrar, "call": call, "stream": stream}[sys.argv[1]](
    *sys.argv[2:]
)
