#!/usr/bin/python3
"""Drives the emulated board of deploy/board-test: pages it, unplugs it, kills it, cuts its power, and looks at what
its line output and its relay lines do meanwhile. Runs in a network and a process namespace of its own."""
import argparse
import array
import base64
import json
import math
import os
import re
import signal
import socket
import stat
import subprocess
import sys
import threading
import time

HOST, BOARD = "192.0.2.1", "192.0.2.2"
GROUP = ("239.255.10.1", 5004)
EXTENSION = "850"
# The board's PL061 lines; etc/hornwire/hornwire.toml has the same.
LINES = {5: "trigger", 6: "mute"}
# The zone's lead in seconds. The board counts it from its decision; slow as it is, the line follows some time later.
LEAD = 0.3
RATE = 48000
HERE = os.path.dirname(os.path.abspath(__file__))

# Journal messages by their ids (systemd/hornwire.catalog).
CARD_OPEN = "78b9a8c3ea2e4a65b3f1a5d2d6d987bc"
CARD_LOST = "397e49b2cd194f9a9c09bd0c009680ce"
RAN_DRY = "433fef414bf5436fbbe30663f18381d4"
PAGE_HEARD = "677658100cd04e59b7ca515fd48ac92a"
PAGE_OVER = "eeac6006d2f84c5990da1417e55a3fac"
PAGE_UNHEARD = "1eaf2c36f5984bd7a7981ace660e7c67"
# systemd's own: a unit has been started.
UNIT_STARTED = "39f53479d3a045ac8e11786248231fbf"


class Failed(Exception):
    pass


def must(condition, text):
    if not condition:
        raise Failed(text)


def wait_for(what, seconds, test, pause=0.05):
    """What `test` returns once it is true; a failure that names `what` after so many seconds."""
    deadline = time.time() + seconds
    while True:
        found = test()
        if found:
            return found
        if time.time() > deadline:
            raise Failed(f"{what}: not within {seconds} s")
        time.sleep(pause)


# ---- What is said, and how it is found again ----

# A scale whose notes tell which part of a page was heard.
SCALE = (400, 600, 800, 1000, 1200, 1400, 1600, 1800)
NOTE = 0.5


def mulaw(sample):
    """ITU-T G.711."""
    sign = 0x80 if sample < 0 else 0
    sample = min(abs(sample), 32635) + 132
    exponent = max(sample.bit_length() - 8, 0)
    return ~(sign | exponent << 4 | (sample >> (exponent + 3)) & 0x0F) & 0xFF


def scale(notes):
    """So many notes of half a second, up the scale and from its beginning again, in 8000 Hz mu-law, about -13 dBm0."""
    speech = bytearray()
    for note in range(notes):
        frequency = SCALE[note % len(SCALE)]
        for n in range(int(8000 * NOTE)):
            speech.append(mulaw(round(5000 * math.sin(2 * math.pi * frequency * n / 8000))))
    return bytes(speech)


def strength(block, frequency, rate):
    """Goertzel: the amplitude of one frequency in a block of samples."""
    factor = 2 * math.cos(2 * math.pi * frequency / rate)
    before = last = 0.0
    for sample in block:
        before, last = last, sample + factor * last - before
    power = before * before + last * last - factor * before * last
    return 2 * math.sqrt(max(power, 0.0)) / len(block)


class Heard:
    """What a stretch of the line output says: blocks of 10 ms, each with the note that is heard in it, 0 where two of them
    meet, or None in silence."""

    def __init__(self, samples):
        thinned = samples[::4]
        rate, size = RATE // 4, RATE // 400
        self.notes = []
        for at in range(0, len(thinned) - size + 1, size):
            block = thinned[at:at + size]
            rms = math.sqrt(sum(s * s for s in block) / size)
            if rms < 100:
                self.notes.append(None)
                continue
            levels = [strength(block, f, rate) for f in SCALE]
            best = max(range(len(SCALE)), key=levels.__getitem__)
            self.notes.append(SCALE[best] if levels[best] > rms else 0)
        sounding = [n for n, note in enumerate(self.notes) if note is not None]
        self.first = sounding[0] if sounding else None
        self.last = sounding[-1] if sounding else None
        self.length = (self.last - self.first + 1) * 10 if sounding else 0
        self.gaps = self.length - 10 * len(sounding)
        self.order = []
        for note in self.notes:
            if note and (not self.order or self.order[-1][0] != note):
                self.order.append([note, 0])
            if note:
                self.order[-1][1] += 10
        # At a change of notes a block holds two of them, and may look like a third.
        self.order = [entry for entry in self.order if entry[1] > 20]
        merged = []
        for note, length in self.order:
            if merged and merged[-1][0] == note:
                merged[-1][1] += length
            else:
                merged.append([note, length])
        self.order = merged

    def tell(self):
        if self.first is None:
            return "nothing"
        return f"{self.length} ms, {self.gaps} ms of them gaps: " + " ".join(f"{n}:{length}" for n, length in self.order)


# ---- The board ----


class Board:
    def __init__(self, arguments):
        self.out = arguments.out
        self.arguments = arguments
        self.boots = 0
        self.plugs = 0
        self.qemu = None
        self.journal = []
        self.growth = []
        self.journal_file = open(f"{self.out}/journal.jsonl", "a", encoding="utf-8")
        subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
        subprocess.run(["ip", "tuntap", "add", "tap0", "mode", "tap"], check=True)
        subprocess.run(["ip", "addr", "add", f"{HOST}/24", "dev", "tap0"], check=True)
        subprocess.run(["ip", "link", "set", "tap0", "up"], check=True)

    def path(self, name):
        return f"{self.out}/{name}"

    # -- power --

    def power_on(self):
        self.boots += 1
        self.plugs += 1
        self.trace_path = self.path(f"lines-{self.boots}.log")
        self.console_path = self.path(f"console-{self.boots}.log")
        self.wav_path = self.path("card.wav")
        for name in ("shell", "journal", "qmp", "card.wav"):
            if os.path.exists(self.path(name)):
                os.remove(self.path(name))
        self.growth = []
        self.on_since = time.time()
        self.qemu = subprocess.Popen(
            ["qemu-system-aarch64", "-M", "virt", "-cpu", "cortex-a72", "-smp", "2", "-m", "1024",
             "-accel", "tcg,thread=multi", "-nodefaults", "-display", "none", "-no-reboot",
             "-kernel", self.arguments.kernel, "-initrd", self.arguments.initrd,
             "-append", "console=ttyAMA0 ro net.ifnames=0 panic=-1 systemd.show_status=1",
             "-serial", f"file:{self.console_path}",
             "-drive", f"file={self.path('disk')},format=raw,if=none,id=disk,cache=unsafe",
             "-device", "virtio-blk-pci,drive=disk",
             "-netdev", "tap,id=net,ifname=tap0,script=no,downscript=no",
             "-device", "virtio-net-pci,netdev=net,romfile=",
             "-device", "virtio-serial-pci",
             "-chardev", f"socket,id=shell,path={self.path('shell')},server=on,wait=off",
             "-device", "virtserialport,chardev=shell,name=board.shell",
             "-chardev", f"socket,id=journal,path={self.path('journal')},server=on,wait=off",
             "-device", "virtserialport,chardev=journal,name=board.journal",
             "-device", "qemu-xhci,id=usb",
             "-audiodev", f"wav,id=wav,path={self.wav_path},out.frequency={RATE}",
             "-device", "usb-audio,id=card,audiodev=wav,bus=usb.0",
             "-qmp", f"unix:{self.path('qmp')},server=on,wait=off",
             # Each change of an output of the GPIO controller, with the time on the wall.
             "-msg", "timestamp=on", "-D", self.trace_path, "-trace", "enable=pl061_set_output"],
            stdin=subprocess.DEVNULL, stdout=open(self.path("qemu.log"), "a"), stderr=subprocess.STDOUT)
        self.qmp = self.connect("qmp")
        self.qmp_file = self.qmp.makefile("rw", encoding="utf-8")
        self.qmp_file.readline()
        self.command("qmp_capabilities")
        self.shell = self.connect("shell")
        self.shell_file = self.shell.makefile("rb")
        self.shell_number = 0
        threading.Thread(target=self.read_journal, args=(self.connect("journal"), self.boots), daemon=True).start()
        threading.Thread(target=self.watch_card, args=(self.boots,), daemon=True).start()

    def connect(self, name):
        def attempt():
            must(self.qemu.poll() is None, "the emulator has ended (see qemu.log)")
            connection = socket.socket(socket.AF_UNIX)
            try:
                connection.connect(self.path(name))
                return connection
            except OSError:
                connection.close()
                return None
        return wait_for(f"the emulator's {name} socket", 20, attempt)

    def power_cut(self):
        self.qemu.kill()
        self.qemu.wait()
        self.keep_recording()

    def power_off(self, seconds):
        """In order: the board is told to."""
        started = time.time()
        self.run("systemctl poweroff --no-block", 30)
        wait_for("the board powers off", seconds, lambda: self.qemu.poll() is not None)
        self.keep_recording()
        return time.time() - started

    # -- its monitor --

    def command(self, name, /, **arguments):
        self.qmp_file.write(json.dumps({"execute": name, "arguments": arguments}) + "\n")
        self.qmp_file.flush()
        while True:
            answer = json.loads(self.qmp_file.readline())
            must("error" not in answer, f"{name}: {answer.get('error', {}).get('desc')}")
            if "return" in answer:
                return answer["return"]

    def unplug(self):
        self.command("device_del", id="card")

    def plug(self):
        self.keep_recording()
        self.plugs += 1
        self.command("device_add", driver="usb-audio", id="card", audiodev="wav", bus="usb.0")

    # -- its shell --

    def run(self, command, seconds=60):
        """Output of a command on the board; its status must be 0."""
        self.shell_number += 1
        line = b"%d %s\n" % (self.shell_number, base64.b64encode(command.encode()))
        self.shell.sendall(line)
        self.shell.settimeout(seconds)
        try:
            while True:
                number, status, output = self.shell_file.readline().split(b" ")
                if int(number) == self.shell_number:
                    break
        except (TimeoutError, ValueError):
            raise Failed(f"the board did not answer within {seconds} s: {command}") from None
        text = base64.b64decode(output).decode(errors="replace").rstrip()
        must(int(status) == 0, f"on the board: {command}: status {int(status)}: {text}")
        return text

    def service(self, *properties):
        text = self.run("systemctl show hornwire " + " ".join(f"-p {p}" for p in properties))
        found = dict(line.split("=", 1) for line in text.splitlines())
        return [found[p] for p in properties]

    # -- its journal --

    def read_journal(self, connection, boot):
        try:
            for line in connection.makefile("rb"):
                try:
                    entry = json.loads(line)
                except ValueError:
                    continue
                entry["HOST_TIME"] = time.time()
                entry["BOOT"] = boot
                self.journal.append(entry)
                self.journal_file.write(json.dumps(entry) + "\n")
                self.journal_file.flush()
        except (OSError, ValueError):
            pass

    def entries(self, since, message_id=None, **fields):
        return [entry for entry in self.journal[since:]
                if (message_id is None or entry.get("MESSAGE_ID") == message_id)
                and all(entry.get(key) == value for key, value in fields.items())]

    def wait_entry(self, what, seconds, since, message_id, **fields):
        return wait_for(f"the journal says that {what}", seconds,
                        lambda: self.entries(since, message_id, **fields))[0]

    def ran_dry(self, since):
        return sum(int(entry.get("COUNT", 0)) for entry in self.entries(since, RAN_DRY))

    # -- its relay lines --

    def moves(self, since=0.0):
        """Each change of a relay's line in this boot: time, name, level."""
        found = []
        with open(self.trace_path, encoding="utf-8", errors="replace") as trace:
            for line in trace:
                match = re.match(r"\d+@([\d.]+):pl061_set_output .* output (\d+) to (\d)$", line)
                if match and int(match[2]) in LINES:
                    move = (float(match[1]), LINES[int(match[2])], int(match[3]))
                    if move[0] >= since:
                        found.append(move)
        return found

    def levels(self):
        levels = dict.fromkeys(LINES.values(), 0)
        for _, name, level in self.moves():
            levels[name] = level
        return levels

    def wait_lines(self, level, seconds, what):
        wait_for(what, seconds, lambda: set(self.levels().values()) == {level}, pause=0.02)
        return max(at for at, _, to in self.moves() if to == level)

    # -- its line output --

    def watch_card(self, boot):
        """When the recording had which size: its time on the wall."""
        while self.boots == boot and self.qemu.poll() is None:
            size = os.path.getsize(self.wav_path) if os.path.exists(self.wav_path) else 0
            if self.growth and size < self.growth[-1][1]:
                # A card that was plugged in has begun it anew.
                self.growth = []
            if not self.growth or self.growth[-1][1] != size:
                self.growth.append((time.time(), size))
            time.sleep(0.01)

    def recorded(self):
        return self.growth[-1][1] if self.growth else 0

    def samples(self, since):
        """Of the first channel, and when the first of them left the card."""
        with open(self.wav_path, "rb") as wav:
            wav.seek(max(since, 44) // 4 * 4)
            data = wav.read()
        samples = array.array("h", data[:len(data) // 4 * 4])
        return samples[::2]

    def time_of(self, octet):
        return next((at for at, size in self.growth if size >= octet), None)

    def keep_recording(self):
        """A card that is plugged in anew, or a new boot, overwrites the recording."""
        if not os.path.exists(self.wav_path) or os.path.getsize(self.wav_path) <= 44:
            return
        with open(self.wav_path, "rb") as wav:
            header, data = bytearray(wav.read(44)), wav.read()
        # The emulator writes the lengths when it ends in order only.
        header[4:8] = (36 + len(data)).to_bytes(4, "little")
        header[40:44] = len(data).to_bytes(4, "little")
        with open(self.path(f"card-{self.boots}-{self.plugs}.wav"), "wb") as kept:
            kept.write(header + data)


# ---- Who pages ----


class Call:
    def __init__(self, board, notes, refused=None):
        name = "refused.xml" if refused else "call.xml"
        scenario = open(os.path.join(HERE, "../peers/sipp", name), encoding="utf-8").read()
        speech, script = board.path("speech.ul"), board.path("call.xml")
        with open(speech, "wb") as file:
            file.write(scale(notes))
        with open(script, "w", encoding="utf-8") as file:
            file.write(scenario.replace("@SPEECH@", speech).replace("@STATUS@", str(refused)))
        self.began = time.time()
        self.process = subprocess.Popen(
            ["sipp", f"{BOARD}:5060", "-sf", script, "-s", EXTENSION, "-key", "from", "203", "-m", "1", "-nostdin",
             "-i", HOST, "-p", "5062", "-mi", HOST, "-mp", "7000", "-d", str(int(notes * NOTE * 1000)),
             "-timeout", "120s", "-timeout_error", "-recv_timeout", "20000", "-trace_err",
             "-error_file", board.path("sipp-errors.log")],
            stdin=subprocess.DEVNULL, stdout=open(board.path("sipp.log"), "w"), stderr=subprocess.STDOUT,
            cwd=board.out)

    def wait(self):
        status = self.process.wait(150)
        must(status == 0, f"the caller did not get what it expected: sipp ended with {status} (see sipp-errors.log)")

    def stop(self):
        self.process.kill()
        self.process.wait()


class Stream:
    """Multicast RTP: 20 ms of PCMU a packet."""

    def __init__(self, _board, notes):
        self.speech = scale(notes)
        self.stopped = False
        self.began = time.time()
        self.thread = threading.Thread(target=self.send, daemon=True)
        self.thread.start()

    def send(self):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(HOST))
            source, first = os.urandom(4), int.from_bytes(os.urandom(2), "big")
            due = time.monotonic()
            for n in range(len(self.speech) // 160):
                if self.stopped:
                    return
                time.sleep(max(due + n * 0.02 - time.monotonic(), 0))
                header = bytes((0x80, 0x80 if n == 0 else 0)) + ((first + n) & 0xFFFF).to_bytes(2, "big") + \
                    (n * 160).to_bytes(4, "big") + source
                sender.sendto(header + self.speech[n * 160:(n + 1) * 160], GROUP)

    def wait(self):
        self.thread.join()

    def stop(self):
        self.stopped = True
        self.thread.join()


# ---- The steps ----


class Test:
    def __init__(self, board):
        self.board = board
        self.results = []

    def step(self, name, function, *arguments):
        print(f"==> {name}", flush=True)
        started = time.time()
        notes = []
        self.note = lambda text: (notes.append(text), print(f"    {text}", flush=True))
        try:
            function(*arguments)
        except (Failed, OSError, subprocess.SubprocessError) as failure:
            self.results.append((name, time.time() - started, f"FAILED: {failure}"))
            raise Failed(failure) from failure
        self.results.append((name, time.time() - started, "ok"))
        print(f"    ok ({time.time() - started:.1f} s)", flush=True)

    def boot(self):
        """From power on to a service that says it is ready, with all it needs."""
        board = self.board
        since = len(board.journal)
        board.power_on()
        board.wait_entry("hornwire.service has started", 300, since, UNIT_STARTED, UNIT="hornwire.service")
        up = time.time()
        card = board.wait_entry("the sound card is open", 60, since, CARD_OPEN)
        self.note(f"service ready {up - board.on_since:.1f} s after power on")
        self.note(card["MESSAGE"])
        must(card.get("REAL_TIME") == "1", "real-time scheduling was not granted")
        kind, state, restarts, pid = board.service("Type", "ActiveState", "NRestarts", "MainPID")
        must((kind, state) == ("notify", "active"), f"the service is {kind}, {state}")
        must(restarts == "0", f"the service needed {restarts} restarts")
        threads = board.run(f"for t in /proc/{pid}/task/*; do "
                            # A thread's name may hold spaces: counted from behind it.
                            "sed 's/.*(\\(.*\\)) /\\1:/' $t/stat | awk -F '[:]' '{ split($2, f, \" \"); "
                            "print $1 \": policy \" f[39] \", priority \" f[38] }'; done")
        real_time = [thread for thread in threads.splitlines() if "policy 1," in thread or "policy 2," in thread]
        must(real_time, f"no thread has real-time scheduling: {threads}")
        self.note("real-time threads: " + "; ".join(real_time))
        lines = board.run("gpioinfo gpiochip0")
        for number, name in LINES.items():
            line = next(line for line in lines.splitlines() if re.search(rf"line +{number}:", line))
            must("hornwire" in line and "output" in line, f"line {number} is not taken: {line.strip()}")
            self.note(" ".join(line.split()))
        must(not [move for move in board.moves() if move[2] == 1], f"a line moved without a page: {board.moves()}")
        failed = board.run("systemctl --failed --plain --no-legend")
        must(not failed, f"failed units: {failed}")

    def page(self, who, notes=8):
        """A whole page, looked at from outside."""
        board = self.board
        must(set(board.levels().values()) == {0}, f"lines are not at rest before the page: {board.levels()}")
        since, mark = len(board.journal), board.recorded()
        source = who(board, notes)
        operated = board.wait_lines(1, 30, "both lines are operated")
        source.wait()
        spoken = time.time()
        over = wait_for("the journal has the page's record", 60,
                        lambda: board.entries(since, PAGE_OVER) or board.entries(since, PAGE_UNHEARD))[0]
        rested = board.wait_lines(0, 30, "both lines are at rest after the page")
        # What the card still holds.
        time.sleep(0.5)
        heard = Heard(board.samples(mark))
        self.note(over["MESSAGE"])
        must(over["MESSAGE_ID"] == PAGE_OVER, "the page was heard nowhere")
        must(over.get("ZONE") == "yard", f"it was heard in {over.get('ZONE')}")
        self.note(f"lines operated {operated - source.began:.2f} s after its beginning, at rest {rested - spoken:.2f} s "
                  f"after its end, {len(board.moves(source.began))} moves")
        self.note(f"on the line: {heard.tell()}; the card ran dry {board.ran_dry(since)} times")
        must(len(board.moves(source.began)) == 2 * len(LINES), f"lines moved more than once: {board.moves(source.began)}")
        wanted = [SCALE[n % len(SCALE)] for n in range(notes)]
        must([note for note, _ in heard.order] == wanted, f"the notes on the line are not those sent: {heard.order}")
        for note, length in heard.order:
            must(0.6 <= length / (NOTE * 1000) <= 1.4, f"{note} Hz was heard for {length} ms, not {NOTE * 1000:.0f}")
        sounded = board.time_of(mark + heard.first * RATE // 100 * 4)
        ended = board.time_of(mark + heard.last * RATE // 100 * 4)
        self.note(f"first sound {sounded - operated:.2f} s after the lines, last one {rested - ended:.2f} s before rest")
        must(sounded - operated > LEAD - 0.03, "it sounded before the amplifier's lead was over")
        must(rested > ended, "it sounded after the lines were at rest")
        return over

    def begin_page(self, who, notes=120):
        """A page that will be broken off: returns once it sounds."""
        board = self.board
        since, mark = len(board.journal), board.recorded()
        source = who(board, notes)
        board.wait_lines(1, 30, "both lines are operated")
        board.wait_entry("the page is heard", 30, since, PAGE_HEARD)
        wait_for("it is heard on the line", 30, lambda: Heard(board.samples(max(mark, board.recorded() - RATE))).length > 200,
                 pause=0.3)
        return source

    def wait_started(self, since, seconds):
        self.board.wait_entry("hornwire.service has started again", seconds, since, UNIT_STARTED, UNIT="hornwire.service")
        return time.time()

    def killed(self):
        self.struck("KILL", 20)
        self.page(Call, 4)

    def stuck(self):
        since = self.struck("STOP", 60)
        told = [e["MESSAGE"] for e in self.board.entries(since) if e.get("UNIT") == "hornwire.service" and "atchdog" in str(e.get("MESSAGE"))]
        must(told, "the journal does not tell of the watchdog")
        self.note(told[0])
        self.page(Stream, 4)

    def struck(self, signal, patience):
        """A signal in the middle of a page: lines to rest, a new start that moves none. Where its journal begins."""
        board = self.board
        source = self.begin_page(Call)
        since = len(board.journal)
        struck = time.time()
        board.run(f"kill -{signal} $(systemctl show -P MainPID hornwire)")
        rested = board.wait_lines(0, patience, f"both lines are at rest after SIG{signal}")
        self.note(f"lines at rest {rested - struck:.2f} s after SIG{signal}")
        source.stop()
        started = self.wait_started(since, 60)
        self.note(f"ready again {started - struck:.2f} s after SIG{signal}")
        board.wait_entry("the sound card is open", 30, since, CARD_OPEN)
        must(set(board.levels().values()) == {0}, "lines moved at the new start")
        must(not [m for m in board.moves(rested) if m[2] == 1], "lines moved at the new start")
        return since

    def unplugged_at_rest(self):
        board = self.board
        since = len(board.journal)
        started = time.time()
        board.unplug()
        lost = board.wait_entry("the sound card is lost", 30, since, CARD_LOST)
        self.note(f"{time.time() - started:.2f} s: {lost['MESSAGE']}")
        Call(board, 1, refused=480).wait()
        self.note("a call without the card: 480")
        must(not board.moves(started), "lines moved without a card")
        self.replug(since)
        self.page(Stream, 4)

    def unplugged_in_a_page(self):
        board = self.board
        source = self.begin_page(Call)
        since = len(board.journal)
        pulled = time.time()
        board.unplug()
        rested = board.wait_lines(0, 30, "both lines are at rest without a card")
        self.note(f"lines at rest {rested - pulled:.2f} s after the card was pulled out")
        lost = board.wait_entry("the sound card is lost", 30, since, CARD_LOST)
        self.note(lost["MESSAGE"])
        over = board.wait_entry("the page is over", 30, since, PAGE_OVER)
        self.note(over["MESSAGE"])
        must(over.get("END_REASON") == "device-fault", f"the page ended with {over.get('END_REASON')}")
        source.stop()
        self.replug(since)
        self.page(Call, 4)

    def replug(self, since):
        board = self.board
        state, restarts_before = board.service("ActiveState", "NRestarts")
        must(state == "active", f"the service is {state}")
        time.sleep(3)
        plugged, since = time.time(), len(board.journal)
        board.plug()
        board.wait_entry("the sound card is open again", 60, since, CARD_OPEN)
        self.note(f"card open {time.time() - plugged:.2f} s after it was plugged in again")
        _, restarts = board.service("ActiveState", "NRestarts")
        must(restarts == restarts_before, "the service was restarted")

    def stopped(self):
        board = self.board
        source = self.begin_page(Stream)
        since = len(board.journal)
        stopped = time.time()
        board.run("systemctl stop --no-block hornwire")
        rested = board.wait_lines(0, 30, "both lines are at rest after the stop")
        self.note(f"lines at rest {rested - stopped:.2f} s after systemctl stop")
        over = board.wait_entry("the page is over", 30, since, PAGE_OVER)
        self.note(over["MESSAGE"])
        must(over.get("END_REASON") == "shutdown", f"the page ended with {over.get('END_REASON')}")
        wait_for("the service has stopped", 30, lambda: board.service("ActiveState") == ["inactive"])
        source.stop()
        result, = board.service("Result")
        must(result == "success", f"it ended with {result}")
        since = len(board.journal)
        board.run("systemctl start hornwire")
        board.wait_entry("the sound card is open", 30, since, CARD_OPEN)
        must(not [m for m in board.moves(rested) if m[2] == 1], "lines moved at the new start")

    def network_unplugged(self):
        board = self.board
        source = self.begin_page(Call)
        since = len(board.journal)
        pulled = time.time()
        board.command("set_link", name="net", up=False)
        rested = board.wait_lines(0, 30, "both lines are at rest without a network")
        self.note(f"lines at rest {rested - pulled:.2f} s after the network was pulled out")
        over = board.wait_entry("the page is over", 30, since, PAGE_OVER)
        self.note(over["MESSAGE"])
        must(over.get("END_REASON") == "no-packets", f"the page ended with {over.get('END_REASON')}")
        source.stop()
        board.command("set_link", name="net", up=True)
        wait_for("the board's network is back", 60, lambda: subprocess.run(
            ["ping", "-c", "1", "-W", "1", BOARD], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode == 0)
        self.page(Stream, 4)
        self.page(Call, 4)

    def power_cut(self):
        board = self.board
        source = self.begin_page(Call)
        # What the journal has written is on the disk after a sync alone.
        board.run("journalctl --sync")
        board.power_cut()
        source.stop()
        self.boot()
        recovered = [str(e["MESSAGE"]) for e in board.journal if e["BOOT"] == board.boots
                     and re.search(r"recover|clean,|corrupt", str(e.get("MESSAGE")))]
        for text in recovered:
            self.note(text)
        boots = board.run("journalctl --list-boots --no-pager").splitlines()
        must(len(boots) >= 2, f"the journal of the boot before is gone: {boots}")
        before = board.run("journalctl -b -1 -u hornwire -o cat --no-pager | tail -n 2")
        self.note("last of the boot before: " + before.replace("\n", "; "))
        self.page(Call, 4)

    def read_only(self):
        board = self.board
        board.run("""set -e
            printf '/dev/vda / ext4 ro 0 1\\ntmpfs /tmp tmpfs defaults 0 0\\ntmpfs /var/tmp tmpfs defaults 0 0\\n' >/etc/fstab
            printf 'tmpfs /var/lib/systemd tmpfs defaults 0 0\\n' >>/etc/fstab
            mkdir -p /etc/systemd/journald.conf.d
            printf '[Journal]\\nStorage=volatile\\n' >/etc/systemd/journald.conf.d/volatile.conf
            sync""")
        self.note(f"powered off in order in {board.power_off(120):.1f} s")
        self.boot()
        options = board.run("awk '$2 == \"/\" { print $4 }' /proc/mounts")
        must("ro" in options.split(","), f"the root is writable: {options}")
        self.note(f"root: {options}")
        self.page(Call, 4)
        self.page(Stream, 4)

    def all(self, quick):
        self.step("boot to a ready service", self.boot)
        self.step("a page by SIP", self.page, Call)
        if not quick:
            self.step("a page by multicast", self.page, Stream)
            self.step("sound card unplugged at rest", self.unplugged_at_rest)
            self.step("sound card unplugged in a page", self.unplugged_in_a_page)
        self.step("daemon killed in a page", self.killed)
        if not quick:
            self.step("daemon stuck in a page", self.stuck)
            self.step("service stopped in a page", self.stopped)
            self.step("network unplugged in a page", self.network_unplugged)
            self.step("power cut in a page", self.power_cut)
            self.step("read-only root", self.read_only)

    def summary(self):
        print("\nStep                                  seconds  result")
        for name, seconds, result in self.results:
            print(f"{name:<36} {seconds:>8.1f}  {result}")
        print(flush=True)


def end_with_input():
    """Who started this holds the other end of its input."""
    while os.read(0, 1):
        pass
    # Whatever else is in this process namespace ends with its first process.
    os._exit(143)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--kernel", required=True)
    parser.add_argument("--initrd", required=True)
    parser.add_argument("--out", required=True)
    arguments = parser.parse_args()
    # The first process of its namespace ends by no signal that it does not ask for.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    signal.pthread_sigmask(signal.SIG_UNBLOCK, (signal.SIGTERM, signal.SIGINT))
    if stat.S_ISFIFO(os.fstat(0).st_mode):
        threading.Thread(target=end_with_input, daemon=True).start()
    board = Board(arguments)
    test = Test(board)
    status = 0
    try:
        test.all(arguments.quick)
    except Failed:
        status = 1
    finally:
        if board.qemu and board.qemu.poll() is None:
            board.power_cut()
        for name in ("shell", "journal", "qmp", "card.wav", "speech.ul", "call.xml"):
            if os.path.exists(board.path(name)):
                os.remove(board.path(name))
        test.summary()
    for name, _, result in test.results:
        if result != "ok":
            print(f"board-test: {name}: {result}", file=sys.stderr)
    sys.exit(status)


if __name__ == "__main__":
    main()
