"""A desk phone for the lab: pjsua2 with a recording instead of a microphone and a file instead of an earpiece.

It registers (if told to), makes one call or waits for one, plays the recording once the call's audio is up, writes
what comes back to a file, and tells on stdout what happens, one event a line. Commands come on stdin, one a line:
`hangup`, `hold`, `resume`, `speak` (with --wait), `dial rfc4733|info|tones KEYS`, `quit`.
"""

import argparse
import os
import queue
import sys
import threading
import time
import wave

import pjsua2 as pj


def tell(*words):
    print(*words, flush=True)


class Call(pj.Call):
    def __init__(self, phone, account, call_id=pj.PJSUA_INVALID_ID):
        super().__init__(account, call_id)
        self.phone = phone

    def onCallState(self, prm):
        info = self.getInfo()
        tell("STATE", info.stateText, info.lastStatusCode, info.lastReason)
        if info.state == pj.PJSIP_INV_STATE_DISCONNECTED:
            self.phone.over = True

    def onCallTsxState(self, prm):
        event = prm.e
        if event.type == pj.PJSIP_EVENT_TSX_STATE and event.body.tsxState.type == pj.PJSIP_EVENT_RX_MSG:
            message = event.body.tsxState.src.rdata.wholeMsg
            first = message.split("\r\n", 1)[0]
            reason = [line for line in message.split("\r\n") if line.lower().startswith("reason:")]
            tell("MESSAGE", first, "|", " ".join(reason))

    def onCallMediaState(self, prm):
        info = self.getInfo()
        for index, media in enumerate(info.media):
            if media.type != pj.PJMEDIA_TYPE_AUDIO:
                continue
            tell("MEDIA", media.status, media.dir)
            if media.status in (pj.PJSUA_CALL_MEDIA_ACTIVE, pj.PJSUA_CALL_MEDIA_REMOTE_HOLD):
                stream = self.getStreamInfo(index)
                tell("CODEC", f"{stream.codecName}/{stream.codecClockRate}", "to", stream.remoteRtpAddress)
                self.phone.connect(self.getAudioMedia(index))


class Account(pj.Account):
    def __init__(self, phone):
        super().__init__()
        self.phone = phone

    def onRegState(self, prm):
        tell("REGISTERED" if prm.code == 200 else "REGISTER-FAILED", prm.code, prm.reason, prm.expiration)

    def onIncomingCall(self, prm):
        call = Call(self.phone, self, prm.callId)
        self.phone.call = call
        answer = pj.CallOpParam()
        answer.statusCode = 200
        call.answer(answer)


class Phone:
    def __init__(self, args):
        self.args = args
        self.over = False
        self.call = None
        self.player = None
        self.recorder = None
        self.tones = None
        self.keys = []
        self.next_key_at = 0.0
        self.media = None
        self.ends_at = None
        self.length = 0.0
        if args.play:
            with wave.open(args.play) as recording:
                self.length = recording.getnframes() / recording.getframerate()

    def connect(self, media):
        if self.args.record and self.recorder is None:
            self.recorder = pj.AudioMediaRecorder()
            self.recorder.createRecorder(self.args.record)
        if self.recorder is not None:
            media.startTransmit(self.recorder)
        self.media = media
        if self.args.play and not self.args.wait:
            self.speak(media)

    def speak(self, media):
        if self.args.play:
            if self.player is None:
                self.player = pj.AudioMediaPlayer()
                self.player.createPlayer(self.args.play, pj.PJMEDIA_FILE_NO_LOOP)
                if self.args.hang_up_after is not None:
                    self.ends_at = time.monotonic() + self.length + self.args.hang_up_after
                tell("PLAYING", f"{self.length:.2f}")
            self.player.startTransmit(media)

    def dial(self, way, keys):
        """RFC 4733 events, INFO with application/dtmf-relay, or the tones of Q.23 in the audio."""
        if way == "tones":
            self.tones = pj.ToneGenerator()
            self.tones.createToneGenerator(self.args.rate)
            digits = pj.ToneDigitVector()
            for key in keys:
                digit = pj.ToneDigit()
                digit.digit = key
                digit.on_msec = 90
                digit.off_msec = 90
                digit.volume = 8000
                digits.append(digit)
            self.tones.startTransmit(self.media)
            self.tones.playDigits(digits)
        elif way == "info":
            # One after another, as fingers do: the stack would send all at once.
            self.keys = list(keys)
        else:
            self.send_keys(pj.PJSUA_DTMF_METHOD_RFC2833, keys)
        tell("DIALLED", way, len(keys))

    def send_keys(self, method, keys):
        parameters = pj.CallSendDtmfParam()
        parameters.method = method
        parameters.digits = keys
        parameters.duration = 120
        self.call.sendDtmf(parameters)

    def next_key(self):
        if self.keys and not self.over and time.monotonic() >= self.next_key_at:
            self.send_keys(pj.PJSUA_DTMF_METHOD_SIP_INFO, self.keys.pop(0))
            self.next_key_at = time.monotonic() + 0.2

    def hang_up(self):
        if self.call is not None and not self.over:
            self.call.hangup(pj.CallOpParam())

    def command(self, word):
        if word == "hangup":
            self.hang_up()
        elif word == "hold":
            self.call.setHold(pj.CallOpParam())
        elif word == "resume":
            parameters = pj.CallOpParam()
            parameters.opt.flag = pj.PJSUA_CALL_UNHOLD
            parameters.opt.audioCount = 1
            parameters.opt.videoCount = 0
            self.call.reinvite(parameters)
        elif word == "speak":
            self.speak(self.media)
        elif word.startswith("dial "):
            self.dial(*word.split()[1:])
        elif word == "quit":
            self.hang_up()
            return False
        return True

    def run(self):
        args = self.args
        endpoint = pj.Endpoint()
        endpoint.libCreate()
        config = pj.EpConfig()
        config.uaConfig.threadCnt = 0
        config.uaConfig.mainThreadOnly = True
        config.uaConfig.maxCalls = 2
        config.logConfig.level = args.log
        config.logConfig.consoleLevel = args.log
        config.medConfig.clockRate = args.rate
        config.medConfig.sndClockRate = args.rate
        config.medConfig.audioFramePtime = 20
        config.medConfig.noVad = True
        config.medConfig.ecTailLen = 0

        endpoint.libInit(config)
        transport = pj.TransportConfig()
        transport.port = 0
        transport.boundAddress = args.bind
        if args.ca:
            transport.tlsConfig.CaListFile = args.ca
            transport.tlsConfig.verifyServer = True
        v6 = ":" in args.bind
        kinds = {
            ("udp", False): pj.PJSIP_TRANSPORT_UDP,
            ("tcp", False): pj.PJSIP_TRANSPORT_TCP,
            ("tls", False): pj.PJSIP_TRANSPORT_TLS,
            ("udp", True): pj.PJSIP_TRANSPORT_UDP6,
            ("tcp", True): pj.PJSIP_TRANSPORT_TCP6,
        }
        transport_id = endpoint.transportCreate(kinds[args.transport, v6], transport)
        endpoint.libStart()
        endpoint.audDevManager().setNullDev()
        for codec in endpoint.codecEnum2():
            endpoint.codecSetPriority(codec.codecId, 255 if codec.codecId.startswith(args.codec) else 0)

        suffix = "" if args.transport == "udp" else f";transport={args.transport}"
        account_config = pj.AccountConfig()
        account_config.idUri = f"sip:{args.user}@{args.domain}"
        if args.register:
            account_config.regConfig.registrarUri = f"sip:{args.proxy}{suffix}"
            account_config.sipConfig.authCreds.append(pj.AuthCredInfo("digest", "*", args.user, 0, args.password))
        account_config.sipConfig.transportId = transport_id
        account_config.mediaConfig.transportConfig.boundAddress = args.bind
        account_config.mediaConfig.transportConfig.port = args.rtp_port
        if v6:
            account_config.mediaConfig.ipv6Use = pj.PJSUA_IPV6_ENABLED
        if args.srtp:
            account_config.mediaConfig.srtpUse = pj.PJMEDIA_SRTP_MANDATORY
            account_config.mediaConfig.srtpSecureSignaling = 1
        if args.timers:
            account_config.callConfig.timerUse = pj.PJSUA_SIP_TIMER_ALWAYS
            account_config.callConfig.timerMinSESec = 90
            account_config.callConfig.timerSessExpiresSec = 90
        account_config.natConfig.contactRewriteUse = 0
        account_config.natConfig.viaRewriteUse = 0
        account = Account(self)
        account.create(account_config, True)
        if args.call:
            self.call = Call(self, account)
            parameters = pj.CallOpParam(True)
            parameters.opt.audioCount = 1
            parameters.opt.videoCount = 0
            self.call.makeCall(f"sip:{args.call}@{args.proxy}{suffix}", parameters)
        tell("READY")

        commands = queue.Queue()
        threading.Thread(target=lambda: [commands.put(line.strip()) for line in sys.stdin], daemon=True).start()
        deadline = time.monotonic() + args.limit
        going = True
        while going and not self.over and time.monotonic() < deadline:
            endpoint.libHandleEvents(10)
            while going and not commands.empty():
                going = self.command(commands.get())
            self.next_key()
            if self.ends_at is not None and time.monotonic() >= self.ends_at:
                self.ends_at = None
                self.hang_up()
        settle = time.monotonic() + 1.0
        while not self.over and time.monotonic() < settle:
            endpoint.libHandleEvents(10)
        # The recorder writes its file's head when it is dropped; it must go before the library.
        self.player = None
        self.tones = None
        self.media = None
        self.recorder = None
        self.call = None
        account.shutdown()
        del account
        endpoint.libDestroy()
        tell("DONE")
        sys.stdout.flush()
        os._exit(0)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bind", default="127.0.0.3", help="own address")
    parser.add_argument("--transport", choices=["udp", "tcp", "tls"], default="udp")
    parser.add_argument("--ca", help="PEM file of the authority that the other end's certificate must come from")
    parser.add_argument("--srtp", action="store_true", help="mandatory SRTP, keys by SDES (RFC 4568)")
    parser.add_argument("--timers", action="store_true", help="session timers of 90 s (RFC 4028)")
    parser.add_argument("--proxy", required=True, help="host:port of the phone system, or of the callee")
    parser.add_argument("--domain", default="quayside.test")
    parser.add_argument("--user", default="201")
    parser.add_argument("--password", default="")
    parser.add_argument("--register", action="store_true")
    parser.add_argument("--call", help="user part to call")
    parser.add_argument("--codec", default="PCMU", help="the one codec offered, by the start of its name")
    parser.add_argument("--rate", type=int, default=8000, help="sampling rate within")
    parser.add_argument("--play", help="WAV file, mono, of that rate")
    parser.add_argument("--wait", action="store_true", help="plays only when told to speak")
    parser.add_argument("--record", help="WAV file to write")
    parser.add_argument("--hang-up-after", type=float, help="seconds from the recording's end to BYE; else no BYE")
    parser.add_argument("--rtp-port", type=int, default=0)
    parser.add_argument("--limit", type=float, default=150.0, help="seconds to live at most")
    parser.add_argument("--log", type=int, default=0)
    Phone(parser.parse_args()).run()


main()
