"""A second implementation of the hash of an inventory, with nothing but the
standard library: reads {"meta":…,"items":[…]} from standard input and prints
the hex SHA-256 of its RFC 8785 canonical JSON.

RFC 8785 sorts the members of an object by UTF-16 code units and escapes only
what JSON requires. The one kind of number here is a year, an integer, which
both forms write alike; decimals are strings.
"""
import hashlib
import json
import sys


def ordered(value):
    if isinstance(value, dict):
        return {k: ordered(value[k]) for k in sorted(value, key=lambda s: s.encode("utf-16-be"))}
    if isinstance(value, list):
        return [ordered(v) for v in value]
    return value


document = json.loads(sys.stdin.buffer.read().decode("utf-8"))
document["items"].sort(key=lambda item: item["code"].encode("utf-8"))
text = json.dumps(ordered(document), ensure_ascii=False, separators=(",", ":"))
print(hashlib.sha256(text.encode("utf-8")).hexdigest())
