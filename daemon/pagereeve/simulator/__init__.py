"""Printers, gateways and a release server that behave as real ones do, over real sockets on loopback.

    release server ──▶ gateway ──▶ print port ─┐
          ▲               │  ▲                 ├─ engine (pure, virtual time) ── truth
          └─ badge lines ─┘  └─── SNMP agent ──┘

The daemon never imports it; the demo, the tests and the installation proof do.
"""
