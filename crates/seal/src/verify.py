#!/usr/bin/env python3
"""Checks a bundle of readings without the program that made it.

Standard library only; the one thing it lacks, Ed25519, is asked of `openssl`. Written apart from the other verifier, so that a
fault in one of the two shows.

    python3 verify.py FOLDER [--vkey KEY] [--previous CHECKPOINT]

FOLDER may also be a zip file. Exit code 0: all of it holds. 1: something does not, and its place is named. 2: all of it holds, and nobody
said whose key it is (no --vkey): anybody could have made it. 65: no bundle. 66: no such folder or file.
"""

import base64
import datetime
import hashlib
import json
import math
import os
import stat
import struct
import subprocess
import sys
import tempfile
import zlib

LISTED = 8
HEADER = "kind,source,quantity,measured_at,value,unit,quality,received_at,time_source,retained,reason"
FIGURES = "day,kind,source,quantity,unit,readings,good,lowest,highest"
MANIFEST_NAMES = {"absent", "files", "from", "made_at", "name", "site", "software", "to", "v"}
WHY = ("no-readings", "not-on-record", "taken-out")
HOUR = datetime.timedelta(hours=1)
# How much is read, whatever the list of files says: a bundle of a year of a large site stays far below.
NOTE_MOST, MANIFEST_MOST, TEXT_MOST = 1 << 20, 16 << 20, 128 << 20
LINE_MOST, HOURS_MOST, FILES_MOST, DEPTH_MOST, NESTED_MOST = 64 << 10, 200_000, 50_000, 8, 64
ROW_NAMES = {"body", "kind", "prev", "seq", "time", "v"}


def shown(text):
    """A text as a terminal may show it: whoever made the bundle may want to write over the answer."""
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in str(text))


class Fault(Exception):
    """Something that does not hold, with its place."""


def sha256(data):
    return hashlib.sha256(data).digest()


def leaf(data):
    return sha256(b"\x00" + data)


def node(left, right):
    return sha256(b"\x01" + left + right)


def root(leaves):
    """RFC 9162, 2.1.1: split at the largest power of two smaller than the number of leaves."""
    if not leaves:
        return sha256(b"")
    if len(leaves) == 1:
        return leaves[0]
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return node(root(leaves[:k]), root(leaves[k:]))


def root_by_path(leaf_hash, index, size, path):
    """RFC 9162, 2.1.3.2: the root that a proof leads to, or None where the proof has another length than its tree."""
    if index >= size:
        return None
    f, s, r = index, size - 1, leaf_hash
    for p in path:
        if s == 0:
            return None
        if f % 2 == 1 or f == s:
            r = node(p, r)
            while f % 2 == 0 and f != 0:
                f, s = f // 2, s // 2
        else:
            r = node(r, p)
        f, s = f // 2, s // 2
    return r if s == 0 else None


def is_consistent(first, first_root, second, second_root, path):
    """RFC 9162, 2.1.4.2."""
    if first == second:
        return first_root == second_root and not path
    if first == 0 or first > second:
        return False
    if first & (first - 1) == 0:
        path = [first_root] + path
    if not path:
        return False
    f, s = first - 1, second - 1
    while f % 2 == 1:
        f, s = f // 2, s // 2
    old = new = path[0]
    for p in path[1:]:
        if s == 0:
            return False
        if f % 2 == 1 or f == s:
            old, new = node(p, old), node(p, new)
            while f % 2 == 0 and f != 0:
                f, s = f // 2, s // 2
        else:
            new = node(new, p)
        f, s = f // 2, s // 2
    return s == 0 and old == first_root and new == second_root


class Key:
    """A key of the form name+id+base64."""

    def __init__(self, text):
        name, ident, data = text.strip().split("+", 2)
        raw = base64.b64decode(data, validate=True)
        if len(raw) != 33 or raw[0] != 1:
            raise ValueError("no Ed25519 key")
        self.text, self.name, self.public = text.strip(), name, raw[1:]
        self.id = sha256(name.encode() + b"\n" + raw)[:4]
        if self.id.hex() != ident:
            raise ValueError("its id is not that of its name and bytes")

    def open(self, note, place):
        """The text of a signed note, where the signature fits."""
        text, blank, signatures = note.rpartition("\n\n")
        if not blank or not signatures.endswith("\n"):
            raise Fault(f"{place}: is no signed note, or is cut short")
        text += "\n"
        for line in signatures[:-1].split("\n"):
            if not line.startswith("\u2014 ") or line.count(" ") != 2:
                raise Fault(f"{place}: a signature line is not `\u2014 name base64`")
            _, name, data = line.split(" ")
            try:
                raw = base64.b64decode(data, validate=True)
            except ValueError:
                raise Fault(f"{place}: a signature is no base64") from None
            if name == self.name and raw[:4] == self.id:
                if not self.verifies(text.encode(), raw[4:]):
                    raise Fault(f"{place}: the signature does not fit the text: one of the two was changed")
                return text
        raise Fault(f"{place}: is not signed by {self.text}")

    def verifies(self, message, signature):
        with tempfile.TemporaryDirectory() as folder:
            def put(name, data):
                path = os.path.join(folder, name)
                with open(path, "wb") as file:
                    file.write(data)
                return path
            # The fixed beginning of an Ed25519 key in DER (RFC 8410).
            key = put("key", bytes.fromhex("302a300506032b6570032100") + self.public)
            command = ["openssl", "pkeyutl", "-verify", "-pubin", "-keyform", "DER", "-inkey", key, "-rawin",
                       "-in", put("message", message), "-sigfile", put("signature", signature)]
            try:
                done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=False)
            except OSError as error:
                raise Fault(f"signatures cannot be checked: openssl does not start ({error}); install it") from None
            return done.returncode == 0 and b"Verified Successfully" in done.stdout


def checkpoint_of(note, key, place):
    lines = key.open(note, place).split("\n")
    size = lines[1] if len(lines) >= 4 else ""
    plain = size.isascii() and size.isdigit() and len(size) < 20 and (size == "0" or size[0] != "0")
    if not plain or lines[0] != key.name:
        raise Fault(f"{place}: is no checkpoint of the record of that key")
    head = base64.b64decode(lines[2], validate=True)
    if len(head) != 32:
        raise Fault(f"{place}: its third line is no hash")
    return int(size), head


def unfolded(text):
    """A checkpoint as it was signed, from one that was copied out of a mail: indented, or without its last line feed."""
    return "\n".join(line.strip() for line in text.strip().splitlines()) + "\n"


def parsed(text):
    """JSON that is not nested without end, and has no name twice."""
    depth, quoted, escaped = 0, False, False
    for c in text:
        if quoted:
            escaped, quoted = c == "\\" and not escaped, escaped or c != '"'
        elif c == '"':
            quoted = True
        elif c in "[{":
            depth += 1
            if depth > NESTED_MOST:
                raise ValueError(f"it is nested more than {NESTED_MOST} times")
        elif c in "]}":
            depth -= 1
    return json.loads(text, object_pairs_hook=no_twice)


def canonical(value):
    """RFC 8785 for what a manifest holds: texts and whole numbers."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def instant(text):
    """An instant in the one form that rows have, or None."""
    try:
        at = datetime.datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ")
    except (ValueError, TypeError):
        return None
    return at if named(at) == text else None


def named(at):
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03}Z".rjust(24, "0")


def whole_hour(text):
    at = instant(text)
    return at if at is not None and (at.minute, at.second, at.microsecond) == (0, 0, 0) else None


def is_plain(name):
    odd = any(ord(c) < 32 or 127 <= ord(c) < 160 or c in "\\:" for c in name)
    return not odd and all(part not in ("", ".", "..") for part in name.split("/"))


def checked_manifest(text):
    manifest = parsed(text)
    if canonical(manifest) != text or set(manifest) != MANIFEST_NAMES or manifest["v"] != 2:
        raise ValueError("it is not in its one form, or of another version")
    last = None
    for file in manifest["files"]:
        name, length = file["name"], file["bytes"]
        if set(file) != {"name", "bytes", "sha256"} or not is_plain(name) or type(length) is not int or length < 0:
            raise ValueError("a file in it is none of a bundle")
        # In the order of their bytes, and none twice.
        if last is not None and name.encode() <= last:
            raise ValueError("a file stands in it twice, or they are not in their order")
        last = name.encode()
    for hours in manifest["absent"]:
        if set(hours) != {"from", "to", "why"} or hours["why"] not in WHY:
            raise ValueError("hours are absent for no known reason")
    for name in ("from", "to", "made_at", "name", "site", "software"):
        if not isinstance(manifest[name], str):
            raise ValueError(f"its {name} is no text")
    return manifest


def no_twice(pairs):
    names = [name for name, _ in pairs]
    if len(names) != len(set(names)):
        raise ValueError("a name stands there twice")
    return dict(pairs)


def row_of(line, place):
    try:
        row = parsed(line)
        if set(row) != ROW_NAMES or row["v"] != 1 or type(row["seq"]) is not int or row["seq"] < 0 or not isinstance(row["body"], dict):
            raise ValueError("it has not the names of a row")
        return row
    except (ValueError, TypeError) as error:
        raise Fault(f"{place}: is no row: {error}") from None


def regular(path, links):
    """Opens a regular file; a pipe or a device is refused before anything is read of it, and where links are not meant, a link too."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | (0 if links else getattr(os, "O_NOFOLLOW", 0))
    if not links and os.path.islink(path):
        raise OSError("it is a link")
    if not stat.S_ISREG(os.stat(path).st_mode):
        raise OSError("it is no regular file")
    file = os.fdopen(os.open(path, flags), "rb")
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise OSError("it is no regular file")
    return file


class Folder:
    def __init__(self, path):
        self.path = path

    def names(self):
        found = []

        def under(folder, before, depth):
            with os.scandir(folder) as entries:
                for entry in entries:
                    # A link to a folder is listed as a file; it is none of a bundle's.
                    if not entry.is_dir(follow_symlinks=False):
                        found.append(before + entry.name)
                    elif depth == 0:
                        raise Fault("it has folders within folders without end")
                    else:
                        under(entry.path, f"{before}{entry.name}/", depth - 1)
                    if len(found) > FILES_MOST:
                        raise Fault(f"it has more than {FILES_MOST} files")

        under(self.path, "", DEPTH_MOST)
        return found

    def open(self, name):
        parts = name.split("/")
        if not is_plain(name):
            raise FileNotFoundError(name)
        for n in range(1, len(parts)):
            if os.path.islink(os.path.join(self.path, *parts[:n])):
                raise OSError("it is in a folder that is a link")
        file = regular(os.path.join(self.path, *parts), False)
        return file, os.fstat(file.fileno()).st_size


class Zip:
    """A zip file of which each byte is accounted for: one list, one head for each file that says what the list says, and nothing else."""

    def __init__(self, path):
        self.file = regular(path, True)
        self.length = os.fstat(self.file.fileno()).st_size
        self.members = {}
        end = self.read(self.length - 22, 22)
        if end[:4] != b"PK\5\6" or end[20:] != b"\0\0":
            raise Fault("it does not end with its list of files: it was cut short, or something follows")
        disk, first, here, count, size, start = struct.unpack("<HHHHII", end[4:20])
        edge = self.length - 22
        locator = self.read(edge - 20, 20) if edge >= 20 else b""
        if locator[:4] == b"PK\6\7":
            edge -= 20 + 56
            record = self.read(edge, 56)
            if record[:12] != b"PK\6\6" + struct.pack("<Q", 44) or struct.unpack("<Q", locator[8:16])[0] != edge:
                raise Fault("the end of its list of files is in no form of ours")
            disk, first, here, count, size, start = struct.unpack("<IIQQQQ", record[16:56])
        if disk or first or here != count or count > FILES_MOST or size > MANIFEST_MOST or start + size != edge:
            raise Fault("its list of files is not where it says, or longer than that of any bundle")
        table, at, cursor = self.read(start, size), 0, 0
        for _ in range(count):
            head = table[at:at + 46]
            if len(head) < 46 or head[:4] != b"PK\1\2":
                raise Fault("its list of files is cut short")
            flags, method, _, _, crc, packed, length, names, extra, comment, _, _, _, offset = struct.unpack("<HHHHIIIHHHHHII", head[8:46])
            raw, more = table[at + 46:at + 46 + names], table[at + 46 + names:at + 46 + names + extra]
            at += 46 + names + extra + comment
            length, packed, offset = wide(more, length, packed, offset)
            local = self.read(cursor, 30)
            if offset != cursor or local[:4] != b"PK\3\4":
                raise Fault("between its files is something that its list does not name")
            l_flags, l_method, _, _, l_crc, l_packed, l_length, l_names, l_extra = struct.unpack("<HHHHIIIHH", local[6:30])
            rest = self.read(cursor + 30, l_names + l_extra)
            l_length, l_packed = wide(rest[l_names:], l_length, l_packed)
            if (l_flags, l_method, l_crc, l_packed, l_length, rest[:l_names]) != (flags, method, crc, packed, length, raw):
                raise Fault(f"{raw.decode(errors='replace')}: its head says something else than the list of files")
            name = raw.decode()
            if flags & ~0x800 or method not in (0, 8) or not is_plain(name) or name in self.members:
                raise Fault(f"{name}: stands there twice, leads out of the bundle, or is packed in a way that hypocaust does not use")
            cursor += 30 + l_names + l_extra
            self.members[name] = (cursor, packed, length, method, crc)
            cursor += packed
        if at != size or cursor != start:
            raise Fault("in it is something that its list of files does not name")
        if sum(m[2] for m in self.members.values()) > self.length * 200 + (256 << 20):
            raise Fault("it unpacks to more than any bundle does")

    def read(self, start, count):
        if start < 0 or count < 0 or start + count > self.length:
            raise Fault("it is cut short")
        self.file.seek(start)
        return self.file.read(count)

    def names(self):
        return list(self.members)

    def open(self, name):
        if name not in self.members:
            raise FileNotFoundError(name)
        start, packed, length, method, crc = self.members[name]
        out, found, left, at, inflate = tempfile.TemporaryFile(), 0, packed, start, zlib.decompressobj(-15)
        total = 0

        def put(data):
            nonlocal found, total
            found, total = zlib.crc32(data, found), total + len(data)
            if total > length:
                raise OSError("it unpacks to more than it says")
            out.write(data)

        try:
            while left > 0:
                data = self.read(at, min(left, 1 << 20))
                at, left = at + len(data), left - len(data)
                while data:
                    put(inflate.decompress(data, 1 << 20) if method == 8 else data)
                    data = inflate.unconsumed_tail if method == 8 else b""
            if method == 8:
                while not inflate.eof:
                    more = inflate.decompress(inflate.unconsumed_tail, 1 << 20)
                    if not more:
                        break
                    put(more)
        except zlib.error as error:
            raise OSError(f"it does not unpack: {error}") from None
        if total != length or found != crc or method == 8 and (not inflate.eof or inflate.unused_data):
            raise OSError("it does not unpack to what its head says")
        out.seek(0)
        return out, length


def wide(extra, *numbers):
    """Numbers of a head; where one is all ones, the 64-bit form gives it."""
    at, values = 0, b""
    while at + 4 <= len(extra):
        kind, length = struct.unpack("<HH", extra[at:at + 4])
        if kind == 1:
            values = extra[at + 4:at + 4 + length]
        at += 4 + length
    out = []
    for number in numbers:
        if number == 0xFFFFFFFF:
            if len(values) < 8:
                raise Fault("a head in it lacks its 64-bit form")
            number, values = struct.unpack("<Q", values[:8])[0], values[8:]
        out.append(number)
    return out


class Bundle:
    def __init__(self, source):
        self.source = source
        self.listed = {}

    def open(self, name):
        try:
            return self.source.open(name)
        except (FileNotFoundError, NotADirectoryError):
            raise Fault(f"{name}: is missing") from None
        except (OSError, ValueError) as error:
            raise Fault(f"{name}: cannot be read: {error}") from None

    def text(self, name, most=TEXT_MOST):
        file, length = self.open(name)
        with file:
            # Asked before anything is read.
            most = min(most, self.listed.get(name, most))
            if length > most:
                raise Fault(f"{name}: has {length} bytes, more than {most}; it was changed, or is no file of a bundle")
            try:
                return file.read(most + 1).decode()
            except UnicodeDecodeError:
                raise Fault(f"{name}: is no text") from None

    def lines(self, name):
        lines = self.text(name).split("\n")
        return lines[:-1] if lines[-1] == "" else lines

    def long_lines(self, name):
        """The lines of a file that may be long, one after the other; no more of it than is listed."""
        file, length = self.open(name)
        with file:
            if length > self.listed.get(name, 0):
                raise Fault(f"{name}: has {length} bytes, more than are listed")
            for line in iter(lambda: file.readline(LINE_MOST), b""):
                yield line[:-1].decode(errors="replace") if line.endswith(b"\n") else line.decode(errors="replace")

    def hashed(self, name, length):
        file, found = self.open(name)
        with file:
            if found != length:
                raise Fault(f"{name}: has {found} bytes, not {length}; it was changed or cut short")
            hasher = hashlib.sha256()
            for part in iter(lambda: file.read(1 << 20), b""):
                hasher.update(part)
            return hasher.hexdigest()

    def files(self, manifest):
        faults = []
        known = {"manifest.json", "manifest.note"}
        for file in manifest["files"]:
            known.add(file["name"])
            try:
                found = self.hashed(file["name"], file["bytes"])
            except Fault as fault:
                faults.append(str(fault))
                continue
            if found != file["sha256"]:
                faults.append(f"{file['name']}: was changed; its SHA-256 is {found}, not {file['sha256']}")
        faults += [f"{name}: is not one of the bundle's files" for name in sorted(self.source.names()) if name not in known]
        required = ["data.csv", "events.jsonl", "hours.jsonl", "figures.csv", "checkpoint.txt"]
        faults += [f"{name}: manifest.json does not name it" for name in required if name not in known]
        return faults, f"{len(manifest['files'])} files as listed"

    def manifest(self, text, key):
        wanted = f"hypocaust-bundle-manifest@v1\n{sha256(text.encode()).hex()}\n"
        if key.open(self.text("manifest.note", NOTE_MOST), "manifest.note") != wanted:
            raise Fault("manifest.json: is not the one that was signed")
        return [], "the list of files is signed by that key"

    def events(self):
        faults, before, last, rows = [], None, None, []
        for number, line in enumerate(self.lines("events.jsonl"), 1):
            place = f"events.jsonl line {number}"
            try:
                row = row_of(line, place)
            except Fault as fault:
                faults.append(str(fault))
                before = None
                continue
            if before is not None and row["seq"] != before[0] + 1:
                faults.append(f"{place}, row {row['seq']}: follows row {before[0]}: a row is missing or was put in")
            elif before is not None and row["prev"] != before[1].hex():
                faults.append(f"{place}, row {row['seq']}: does not name the hash of the row before: one of the two was changed")
            before = (row["seq"], leaf(line.encode()))
            last = before
            told = row["kind"] in ("readings.hour", "report.issued", "pruned")
            rows.append((row["seq"], row["time"], row["kind"], row["body"] if told else None))
        return faults, last, rows

    def hours(self, last, checkpoint, note):
        faults, hours, rows = [], {}, []
        for number, line in enumerate(self.lines("hours.jsonl"), 1):
            place = f"hours.jsonl line {number}"
            try:
                row = row_of(line, place)
            except Fault as fault:
                faults.append(str(fault))
                continue
            if row["kind"] != "readings.hour" or row["body"]["hour"] in hours:
                faults.append(f"{place}, row {row['seq']}: is no row of an hour, or of one that stands there twice")
                continue
            hours[row["body"]["hour"]] = row
            rows.append((f"{place}, row {row['seq']}", row["seq"], leaf(line.encode())))
        if last:
            rows.append((f"events.jsonl, last row {last[0]}", last[0], last[1]))
        for place, seq, row_hash in rows:
            try:
                self.proof(place, seq, row_hash, checkpoint, note)
            except Fault as fault:
                faults.append(str(fault))
        return faults, hours, len({seq for _, seq, _ in rows})

    def proof(self, place, seq, row_hash, checkpoint, note):
        name = f"proofs/{seq}.tlog-proof"
        head, _, theirs = self.text(name, NOTE_MOST).partition("\n\n")
        lines = [line for line in head.split("\n") if not line.startswith("extra ")]
        if lines[0] != "c2sp.org/tlog-proof@v1" or len(lines) < 2 or lines[1] != f"index {seq}":
            raise Fault(f"{name}: is no proof of row {seq}")
        # One checkpoint, whose signature was checked, serves for all.
        if theirs != note or checkpoint is None:
            raise Fault(f"{name}: is of another checkpoint, or that one is not to be believed")
        try:
            path = [base64.b64decode(line, validate=True) for line in lines[2:]]
        except ValueError:
            raise Fault(f"{name}: a line is no hash") from None
        if any(len(p) != 32 for p in path) or root_by_path(row_hash, seq, checkpoint[0], path) != checkpoint[1]:
            raise Fault(f"{place}, {name}: its hashes do not lead from the row to the checkpoint's root")

    def data(self, hours):
        faults, leaves, figures = [], {}, {}
        for number, line in enumerate(self.long_lines("data.csv"), 1):
            if number == 1:
                if line != HEADER:
                    faults.append("data.csv line 1: is not the known heading")
                continue
            parts = line.split(",", 10)
            try:
                kind, source, quantity, at, text, unit, quality = parts[:7]
                value = float(text)
                if len(parts) != 11 or len(at) != 24 or not math.isfinite(value):
                    raise ValueError
            except ValueError:
                faults.append(f"data.csv line {number}: is no reading in the form of the first line")
                continue
            leaves.setdefault(at[:13] + ":00:00.000Z", []).append(leaf(line.encode()))
            figure = figures.setdefault((at[:10], kind, source, quantity, unit), [0, 0, None, None])
            figure[0] += 1
            if quality == "good":
                figure[1] += 1
                if figure[2] is None or value < figure[2][0]:
                    figure[2] = (value, text)
                if figure[3] is None or value > figure[3][0]:
                    figure[3] = (value, text)
        for hour, row in sorted(hours.items()):
            found, body = leaves.get(hour, []), row["body"]
            if len(found) != body["readings"]:
                faults.append(f"data.csv hour {hour}: has {len(found)} readings, row {row['seq']} says {body['readings']}")
            elif root(found).hex() != body["root"]:
                faults.append(f"data.csv hour {hour}: a reading was changed; the root is {root(found).hex()}, "
                              f"row {row['seq']} says {body['root']}")
        faults += [f"data.csv hour {hour}: no row holds its root" for hour in sorted(leaves) if hour not in hours]
        return faults, figures, sum(len(found) for found in leaves.values())

    def figures(self, figures):
        wanted = [FIGURES]
        for key, (count, good, lowest, highest) in sorted(figures.items()):
            extremes = [e[1] if e else "" for e in (lowest, highest)]
            wanted.append(",".join([*key, str(count), str(good), *extremes]))
        found = self.lines("figures.csv")
        faults = []
        for n in range(max(len(found), len(wanted))):
            theirs, ours = (lines[n] if n < len(lines) else "nothing" for lines in (found, wanted))
            if theirs != ours:
                faults.append(f"figures.csv line {n + 1}: is `{theirs}`, the readings give `{ours}`")
        return faults, f"{len(wanted) - 1} lines of daily figures follow from the readings"

    def claims(self, manifest, rows, hours, checkpoint):
        """What the manifest says, held against the rows."""
        faults, site = [], manifest["site"]
        if checkpoint is not None:
            size, origin = checkpoint[0], self.origin
            if origin != f"hypocaust/{site}":
                faults.append(f"manifest.json: says site {site}, and the record is of {origin}")
            if not rows:
                faults.append(f"events.jsonl: has no rows, and the record has {size}")
            elif rows[-1][0] + 1 != size:
                faults.append(f"events.jsonl: ends with row {rows[-1][0]}, and the record goes on to row {size - 1}: what follows is cut off")
        begins, ends, made = whole_hour(manifest["from"]), whole_hour(manifest["to"]), instant(manifest["made_at"])
        if begins is None or ends is None or begins >= ends or (ends - begins) > HOUR * HOURS_MOST:
            faults.append(f"manifest.json: {manifest['from']} to {manifest['to']} is no span of whole hours of at most {HOURS_MOST} hours")
            return faults, ""
        if rows and rows[0][0] > 0:
            first = instant(rows[0][1])
            if first is None or begins <= first < ends:
                faults.append(f"events.jsonl: begins with row {rows[0][0]} of {rows[0][1]}, which is of the time from {manifest['from']} on: "
                              "what was before it is cut off")
        times = [at for at in (instant(row[1]) for row in rows) if at is not None]
        if made is None or times and max(times) > made:
            faults.append(f"manifest.json: made at {manifest['made_at']}, which is before its newest row, or no time")
        roots, pruned, issued = {}, [], set()
        for seq, _, kind, body in rows:
            if kind == "readings.hour":
                roots[body.get("hour")] = (seq, body.get("readings"))
            elif kind == "pruned":
                pruned.append((instant(body.get("from")), instant(body.get("to"))))
            elif kind == "report.issued":
                issued |= {(name, file.get("sha256")) for name, file in body.get("files", {}).items()}
        absent, counts = {}, {}
        for given in manifest["absent"]:
            first, end = whole_hour(given["from"]), whole_hour(given["to"])
            if first is None or end is None or not begins <= first < end <= ends:
                faults.append(f"manifest.json: names hours {given['from']} to {given['to']} as absent, which is no part of its span")
                continue
            while first < end:
                if first in absent:
                    faults.append(f"manifest.json: names hour {named(first)} as absent twice")
                    break
                absent[first] = given["why"]
                counts[given["why"]] = counts.get(given["why"], 0) + 1
                first += HOUR
        hour = begins
        while hour < ends:
            name, why = named(hour), absent.get(hour)
            newest = roots.get(name)
            if name in hours and why:
                faults.append(f"manifest.json: names hour {name} as absent, and it is there")
            elif name in hours and newest and newest[0] > hours[name]["seq"]:
                faults.append(f"hours.jsonl: hour {name} has the root of row {hours[name]['seq']}, and row {newest[0]} holds a newer one")
            elif name not in hours and why is None:
                faults.append(f"hours.jsonl: hour {name} is missing, and manifest.json does not say why")
            elif why == "no-readings" and newest and newest[1] != 0:
                faults.append(f"manifest.json: hour {name} has no readings, it says, and row {newest[0]} has some")
            elif why == "taken-out" and not any(a is not None and b is not None and a <= hour < b for a, b in pruned):
                faults.append(f"manifest.json: readings of hour {name} were taken out, it says, and no row tells of it")
            hour += HOUR
        for name, row in hours.items():
            at = whole_hour(name)
            if at is None or not begins <= at < ends:
                faults.append(f"hours.jsonl: row {row['seq']} is of {name}, which is not of {manifest['from']} to {manifest['to']}")
        for file in manifest["files"]:
            if file["name"].startswith("report/") and (file["name"][len("report/"):], file["sha256"]) not in issued:
                faults.append(f"{file['name']}: no row says that a report was issued with this file")
        said = "".join(f"; {count} hours are not in it: {why}" for why, count in sorted(counts.items()))
        return faults, f"of {site}, every hour and row from {manifest['from']} to {manifest['to']} is there or named{said}"

    def previous(self, note, key, checkpoint):
        earlier = checkpoint_of(unfolded(note), key, "the earlier checkpoint")
        if checkpoint is None:
            raise Fault("there is no checkpoint to compare the earlier one with")
        name = "consistency-from-previous.txt"
        if earlier != checkpoint:
            lines = self.lines(name)
            if lines[:3] != ["hypocaust-consistency-proof@v1", f"from {earlier[0]}", f"to {checkpoint[0]}"]:
                raise Fault(f"{name}: leads not from {earlier[0]} to {checkpoint[0]} rows; ask for a bundle made with --previous")
            try:
                path = [base64.b64decode(line, validate=True) for line in lines[3:]]
            except ValueError:
                raise Fault(f"{name}: a line is no hash") from None
            if not is_consistent(earlier[0], earlier[1], checkpoint[0], checkpoint[1], path):
                raise Fault(f"{name}: the record of the earlier checkpoint is not the beginning of this one")
        return [], f"its {earlier[0]} rows are the beginning of the {checkpoint[0]} rows of this one"


def main(arguments):
    folder, vkey, previous = None, None, None
    while arguments:
        word = arguments.pop(0)
        if word == "--vkey" and arguments:
            vkey = arguments.pop(0)
        elif word == "--previous" and arguments:
            previous = arguments.pop(0)
        elif folder is None and not word.startswith("-"):
            folder = word
        else:
            print(__doc__)
            return 64
    if folder is None or not os.path.exists(folder):
        print(f"there is no folder or zip file {shown(folder)}", file=sys.stderr)
        return 66
    try:
        bundle = Bundle(Folder(folder) if os.path.isdir(folder) else Zip(folder))
        text = bundle.text("manifest.json", MANIFEST_MOST)
        manifest = checked_manifest(text)
        bundle.listed = {file["name"]: file["bytes"] for file in manifest["files"]}
        enclosed = Key(bundle.text("log.vkey", NOTE_MOST))
        key = Key(vkey) if vkey else enclosed
        bundle.origin = key.name
        earlier = None
        if previous is not None:
            with regular(previous, True) as file:
                earlier = file.read(NOTE_MOST).decode()
    except (Fault, ValueError, KeyError, TypeError, AttributeError, OSError, RecursionError, struct.error) as error:
        print(f"this is no bundle that can be checked; its manifest.json, its log.vkey or what was given beside it is missing, cut short "
              f"or of another form: {shown(error)}", file=sys.stderr)
        return 65

    failed = False

    def step(name, check):
        nonlocal failed
        try:
            faults, said = check()
        except Fault as fault:
            faults, said = [str(fault)], ""
        except (ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError, RecursionError) as error:
            faults, said = [f"is not in its form: {error!r}"], ""
        if not faults:
            print(f"ok    {name:<11} {shown(said)}")
        failed = failed or bool(faults)
        for fault in faults[:LISTED]:
            print(f"FAIL  {name:<11} {shown(fault)}")
        if len(faults) > LISTED:
            print(f"FAIL  {name:<11} and {len(faults) - LISTED} more of this kind")

    state = {"checkpoint": None, "note": "", "last": None, "rows": [], "hours": {}, "figures": {}}

    def checkpoint():
        state["note"] = bundle.text("checkpoint.txt", NOTE_MOST)
        state["checkpoint"] = checkpoint_of(state["note"], key, "checkpoint.txt")
        return [], f"{state['checkpoint'][0]} rows on record, signed by that key"

    def events():
        faults, state["last"], state["rows"] = bundle.events()
        return faults, "rows each name the hash of the one before"

    def proofs():
        faults, state["hours"], count = bundle.hours(state["last"], state["checkpoint"], state["note"])
        return faults, f"{count} rows proven to be in the checkpoint's record"

    def data():
        faults, state["figures"], count = bundle.data(state["hours"])
        return faults, f"{count} readings of {len(state['hours'])} hours give the roots on record"

    def keys():
        if key.text != enclosed.text:
            return [f"the bundle is of {enclosed.text}, not of the key given, {key.text}"], ""
        return [], key.text if vkey else f"{key.text}, on the bundle's own word: compare it with the one that the site published"

    step("files", lambda: bundle.files(manifest))
    step("key", keys)
    step("manifest", lambda: bundle.manifest(text, key))
    step("checkpoint", checkpoint)
    step("rows", events)
    step("proofs", proofs)
    step("readings", data)
    step("figures", lambda: bundle.figures(state["figures"]))
    step("claims", lambda: bundle.claims(manifest, state["rows"], state["hours"], state["checkpoint"]))
    if earlier is not None:
        step("previous", lambda: bundle.previous(earlier, key, state["checkpoint"]))
    if not failed and not vkey:
        print("consistent, signer unknown: give the key that the site published as --vkey")
        return 2
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
