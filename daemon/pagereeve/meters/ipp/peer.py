"""One printer's IPP: at which path it answers, in which version, and with which certificate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.ipp.ended import IppEnded
from pagereeve.meters.ipp.message import BadIpp, IppAnswer
from pagereeve.meters.ipp.transport import IppTransport
from pagereeve.ports.meter import MeterTarget

# RFC 8011 section 4.4.1 has /ipp/print; the others are those that printers are known to have.
PATHS: Final = ("/ipp/print", "/ipp", "/", "/ipp/port1")
VERSIONS: Final = (0x0200, 0x0101)

# Status codes (RFC 8011 section 4.1.6.1 and appendix B).
OK_END, NOT_FOUND, VERSION_NOT_SUPPORTED = 0x0100, 0x0406, 0x0503
REFUSED: Final = {0x0401: "forbidden", 0x0402: "not authenticated", 0x0403: "not authorized"}

Ask = Callable[[str, int], bytes]
"""The octets of a question, from printer-uri and version."""
Decode = Callable[[bytes], IppAnswer]


@dataclass(slots=True)
class IppPeer:
    """What a printer was found to answer to. ``note`` is what is new to say of it, once."""

    target: MeterTarget
    path: int = 0
    version: int = 0
    place: str = ""
    fingerprint: str = ""
    note: str = ""

    @property
    def scheme(self) -> str:
        return "ipp" if self.target.ipp_tls is None else "ipps"

    async def ask(self, transport: IppTransport, question: Ask, decode: Decode, wait_s: float) -> IppAnswer:
        """The answer at the path and in the version that the printer knows; both are found once. Each step of a
        connection has ``wait_s``.

        Raises IppEnded.
        """
        port = self.target.ipp_port or 0
        host = await transport.in_figures(self.target.host, port, wait_s)
        for _ in range(len(PATHS) + len(VERSIONS)):
            self.place = f"{host}:{port}{PATHS[self.path]}"
            body = question(f"{self.scheme}://{self.place}", VERSIONS[self.version])
            answer = await self._answer(transport, body, decode, wait_s)
            if answer is not None and answer.status < OK_END:
                return answer
            status = NOT_FOUND if answer is None else answer.status
            if status == VERSION_NOT_SUPPORTED and self.version + 1 < len(VERSIONS):
                self.version += 1
            elif status == NOT_FOUND and self.path + 1 < len(PATHS):
                self.path += 1
            else:
                self.path = 0 if status == NOT_FOUND else self.path
                reason = SilenceReason.NOT_ADMITTED if status in REFUSED else SilenceReason.WRONG_RESPONDER
                raise IppEnded(reason, f"{self.place} answered {REFUSED.get(status, f'status 0x{status:04x}')}")
        raise IppEnded(SilenceReason.WRONG_RESPONDER, f"{host}:{port} answered at none of {', '.join(PATHS)}")

    async def _answer(self, transport: IppTransport, body: bytes, decode: Decode, wait_s: float) -> IppAnswer | None:
        try:
            posted = await transport.post(self.target, self.place, body, wait_s)
        except IppEnded:
            transport.look_up_again(self.target.host, self.target.ipp_port or 0)
            raise
        self._know(posted.fingerprint)
        try:
            return None if posted.body is None else decode(posted.body)
        except BadIpp as error:
            raise IppEnded(SilenceReason.MALFORMED, f"{self.place}: {error}") from error

    def _know(self, fingerprint: str) -> None:
        """Where nothing is checked, a certificate that changes is said at least."""
        before, self.fingerprint = self.fingerprint, fingerprint
        if before and fingerprint != before:
            self.note = f"its IPP shows another certificate, SHA-256 {fingerprint}; before: {before}"
