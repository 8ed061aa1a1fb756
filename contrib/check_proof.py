#!/usr/bin/env python3
"""Check what `pagereeve verify --proof` wrote, with nothing of Pagereeve: check_proof.py PROOF.json [SIZE:HEX | HEX]

The second argument is a head that you kept yourself. daemon/pagereeve/domain/seal/README.md says what is computed.
"""

import hashlib
import json
import pathlib
import sys
from typing import Any


def sha(*parts: bytes) -> bytes:
    return hashlib.sha256(b"".join(parts)).digest()


def canonical(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()


def head_of(leaf: bytes, index: int, size: int, path: list[bytes]) -> bytes:
    """RFC 9162 section 2.1.3.2."""
    node, last, head = index, size - 1, leaf
    for part in path:
        if last <= 0:
            sys.exit("REFUSED: the path is too long")
        if node % 2 or node == last:
            head = sha(b"\x01", part, head)
            while node and node % 2 == 0:
                node, last = node // 2, last // 2
        else:
            head = sha(b"\x01", head, part)
        node, last = node // 2, last // 2
    return head if last == 0 and 0 <= index < size else b""


def check(proof: dict[str, Any], fact: dict[str, Any]) -> None:
    content = fact["content"].encode()
    for name, opening in fact["openings"].items():
        sealed = json.loads(content)
        for part in name.split("."):
            sealed = sealed[part]
        value = sha(b"pagereeve member 1\n", bytes.fromhex(opening["salt"]), canonical([name, opening["value"]]))
        if sealed != {"commitment": value.hex()}:
            sys.exit(f"REFUSED: {name} of fact {fact['seq']} is not what was sealed")
    link = sha(b"pagereeve link 1\n", bytes.fromhex(fact["previous"]), sha(b"pagereeve fact 1\n", content))
    entry = b"pagereeve entry 1\n" + canonical([proof["origin"], fact["timeline"], fact["seq"], link.hex()])
    path = [bytes.fromhex(part) for part in fact["path"]]
    if head_of(sha(b"\x00", entry), fact["position"] - 1, proof["size"], path).hex() != proof["head"]:
        sys.exit(f"REFUSED: fact {fact['seq']} of {fact['timeline']} is not under the head")
    print(f"{fact['timeline']}, fact {fact['seq']}: {fact['content']}")
    for name, opening in fact["openings"].items():
        print(f"    {name} = {opening['value']}")


proof = json.loads(pathlib.Path(sys.argv[1]).read_bytes())
if proof["proof"] != "pagereeve-inclusion-1" or not proof["facts"]:
    sys.exit("REFUSED: it proves nothing")
for one in proof["facts"]:
    check(proof, one)
held = sys.argv[2] if len(sys.argv) > 2 else ""
if held and held not in (proof["head"], f"{proof['size']}:{proof['head']}"):
    sys.exit("REFUSED: the proof is under another head than the one that you hold")
print(f"{len(proof['facts'])} facts are under head {proof['size']}:{proof['head']} of journal {proof['origin']}")
print("which you hold" if held else "compare it with one that you hold: else it proves nothing of when")
