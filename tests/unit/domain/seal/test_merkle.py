"""The tree of RFC 9162 section 2.1 against published vectors: transparency-dev/merkle, testonly/constants.go
(``LeafInputs``, ``RootHashes``) and testdata/inclusion, testdata/consistency (the files named at each case).
"""

from __future__ import annotations

from base64 import b64decode

import pytest

from pagereeve.domain.seal.merkle import (
    Frontier,
    PathHeads,
    consistency_ranges,
    head_from_inclusion,
    head_of,
    inclusion_ranges,
    is_consistent,
    leaf_hash,
)

ENTRIES = [
    bytes.fromhex(text)
    for text in (
        *("", "00", "10", "2021", "3031", "40414243", "5051525354555657"),
        "606162636465666768696a6b6c6d6e6f",
    )
]
HEADS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
LEAVES = [leaf_hash(one) for one in ENTRIES]

# testdata/inclusion/{1,2,3,4}/happy-path.json: index, size, head, leaf, path.
INCLUDED = [
    (
        *(0, 8, "XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=", "bjQLnP+zepicpUTmu3gKLHiQHT+zNzh2hRGjBhevoB0="),
        [
            "lqKW0iTyhcZ77pPDD4owkVfw2qNdxbh+QQt4YwoJz8c=",
            "Xwg/ChozygdqlSeYMlgNs+DvRYS9/x9UyKNg9Q3jAx4=",
            "a0eq8p7jwq+a+Im8H7klTavTEXfxYjLdaqsDXKOb9uQ=",
        ],
    ),
    (
        *(5, 8, "XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=", "QnGia+DYqE8L1UyMMC58s6O10fpngKQLzOKHNHfatlg="),
        [
            "vBoGQ7EuTS18d5GPROD095qDi2z57FtcKD4fTYhZnms=",
            "yoVOoSjtBQtBs1/8G4e46yveRh6eO1WW7Oa51ZdaCuA=",
            "037kGJdt2VdTwcc4Yrk5j6Kiz5tP8P3+izDNlSCWFLc=",
        ],
    ),
    (
        *(2, 3, "rra8/idLcKFPsGel5VeCZNsPqbUa9eC6FZFY8yngbnc=", "ApjRIpBtz8EIkstTpzmS/FufST6kybrbJ7eRtBJ6f+c="),
        ["+sVCA+fMaWzw38tCySodnbr3CtnmIfS9jZhmLwDjwSU="],
    ),
    (
        *(1, 5, "Tju7H3tHjc/nH7YxYxUZo7yhLJrvyhYSv85ME6hiZNQ=", "lqKW0iTyhcZ77pPDD4owkVfw2qNdxbh+QQt4YwoJz8c="),
        [
            "bjQLnP+zepicpUTmu3gKLHiQHT+zNzh2hRGjBhevoB0=",
            "Xwg/ChozygdqlSeYMlgNs+DvRYS9/x9UyKNg9Q3jAx4=",
            "vBoGQ7EuTS18d5GPROD095qDi2z57FtcKD4fTYhZnms=",
        ],
    ),
]
# testdata/inclusion/1/inserted-component.json: the second part of the path.
INSERTED = "q6yroAAAAAAAAAAAAAAAAAAAAAAAAAAAAGAGHgASNFY="
# testdata/consistency/{1,2,3}/happy-path.json: old size, size, old head, head, path.
GROWN = [
    (
        *(1, 8, "bjQLnP+zepicpUTmu3gKLHiQHT+zNzh2hRGjBhevoB0=", "XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg="),
        [
            "lqKW0iTyhcZ77pPDD4owkVfw2qNdxbh+QQt4YwoJz8c=",
            "Xwg/ChozygdqlSeYMlgNs+DvRYS9/x9UyKNg9Q3jAx4=",
            "a0eq8p7jwq+a+Im8H7klTavTEXfxYjLdaqsDXKOb9uQ=",
        ],
    ),
    (
        *(6, 8, "duZ9rbzfHhDht03cYIq9L5jfsW+851J3tSMqEn8gh+8=", "XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg="),
        [
            "DrxdNDf74tsVi58Sah0RjjCBgQMdCpSfje3t68VY72o=",
            "yoVOoSjtBQtBs1/8G4e46yveRh6eO1WW7Oa51ZdaCuA=",
            "037kGJdt2VdTwcc4Yrk5j6Kiz5tP8P3+izDNlSCWFLc=",
        ],
    ),
    (
        *(2, 5, "+sVCA+fMaWzw38tCySodnbr3CtnmIfS9jZhmLwDjwSU=", "Tju7H3tHjc/nH7YxYxUZo7yhLJrvyhYSv85ME6hiZNQ="),
        ["Xwg/ChozygdqlSeYMlgNs+DvRYS9/x9UyKNg9Q3jAx4=", "vBoGQ7EuTS18d5GPROD095qDi2z57FtcKD4fTYhZnms="],
    ),
]


def path_of(ranges: list[tuple[int, int]], size: int) -> list[bytes]:
    heads = PathHeads(ranges)
    for leaf in LEAVES[:size]:
        heads.add(leaf)
    return heads.path()


@pytest.mark.parametrize("size", range(9))
def test_heads_are_the_published_ones(size: int) -> None:
    assert head_of(LEAVES[:size]).hex() == HEADS[size]


def test_a_tree_that_grows_has_the_published_head_at_each_size() -> None:
    tree, seen = Frontier(), [Frontier().head().hex()]
    for leaf in LEAVES:
        tree.add(leaf)
        seen.append(tree.copy().head().hex())
    assert seen == HEADS


@pytest.mark.parametrize(("index", "size", "head", "leaf", "path"), INCLUDED)
def test_inclusion_paths_are_the_published_ones(index: int, size: int, head: str, leaf: str, path: list[str]) -> None:
    parts = list(map(b64decode, path))
    assert b64decode(leaf) == LEAVES[index]
    assert path_of(inclusion_ranges(index, size), size) == parts
    assert head_from_inclusion(LEAVES[index], index, size, parts) == b64decode(head)


@pytest.mark.parametrize(("index", "size", "head", "leaf", "path"), INCLUDED)
def test_no_other_path_leads_to_the_head(index: int, size: int, head: str, leaf: str, path: list[str]) -> None:
    """The mutations of testdata/inclusion: another index, size, leaf, part; too few, too many parts."""
    parts, right = list(map(b64decode, path)), b64decode(head)
    others = [
        (index + 1, size, leaf, parts),
        (index - 1, size, leaf, parts),
        (index ^ 2, size, leaf, parts),
        (index, size * 2, leaf, parts),
        (index, size // 2, leaf, parts),
        (index, size, INSERTED, parts),
        (index, size, leaf, [parts[0], b64decode(INSERTED), *parts[1:]]),
        (index, size, leaf, [*parts, b""]),
        (index, size, leaf, [b"", *parts]),
        (index, size, leaf, [*parts, right]),
        (index, size, leaf, [right, *parts]),
        (index, size, leaf, parts[:-1]),
        *((index, size, leaf, _flipped(parts, place)) for place in range(len(parts))),
    ]
    for place, total, one, way in others:
        assert head_from_inclusion(b64decode(one), place, total, way) != right


def _flipped(parts: list[bytes], place: int) -> list[bytes]:
    changed = list(parts)
    changed[place] = bytes([parts[place][0] ^ 8]) + parts[place][1:]
    return changed


@pytest.mark.parametrize(("old_size", "size", "old_head", "head", "path"), GROWN)
def test_consistency_paths_are_the_published_ones(
    old_size: int, size: int, old_head: str, head: str, path: list[str]
) -> None:
    parts, old, new = list(map(b64decode, path)), b64decode(old_head), b64decode(head)
    assert path_of(consistency_ranges(old_size, size), size) == parts
    assert is_consistent(old_size, size, old, new, parts)
    # testdata/consistency: preceding and trailing garbage, missing parts, other heads and sizes.
    for wrong in ([b"", *parts], [*parts, b""], parts[:-1], [], _flipped(parts, 0), [old, *parts]):
        assert not is_consistent(old_size, size, old, new, wrong)
    assert not is_consistent(old_size, size, new, old, parts)
    assert not is_consistent(old_size + 1, size, old, new, parts)
    assert not is_consistent(old_size, size * 2, old, new, parts)


def test_every_pair_of_sizes_and_every_index_agrees_with_the_heads() -> None:
    for size in range(1, 9):
        new = bytes.fromhex(HEADS[size])
        for index in range(size):
            path = path_of(inclusion_ranges(index, size), size)
            assert head_from_inclusion(LEAVES[index], index, size, path) == new
        for old in range(1, size + 1):
            path = path_of(consistency_ranges(old, size), size)
            assert is_consistent(old, size, bytes.fromhex(HEADS[old]), new, path)


def test_what_is_in_no_tree_has_no_path() -> None:
    for index, size in ((-1, 3), (3, 3), (0, 0)):
        with pytest.raises(ValueError, match="no entry"):
            inclusion_ranges(index, size)
        assert head_from_inclusion(LEAVES[0], index, size, []) is None
    for old, size in ((0, 3), (4, 3)):
        with pytest.raises(ValueError, match="did not grow"):
            consistency_ranges(old, size)
