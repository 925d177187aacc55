#!/usr/bin/env python3
"""Checks a bundle of readings without the program that made it.

Standard library only; the one thing it lacks, Ed25519, is asked of `openssl`. Written apart from the other verifier, so that a
fault in one of the two shows.

    python3 verify.py FOLDER [--vkey KEY] [--previous CHECKPOINT]

Exit code 0: all of it holds. 1: something does not, and its place is named. 65: no bundle. 66: no folder.
"""

import base64
import hashlib
import json
import math
import os
import stat
import subprocess
import sys
import tempfile

LISTED = 8
HEADER = "kind,source,quantity,measured_at,value,unit,quality,received_at,time_source,retained,reason"
FIGURES = "day,kind,source,quantity,unit,readings,good,lowest,highest"
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
    if len(lines) < 4 or lines[0] != key.name or not lines[1].isdigit():
        raise Fault(f"{place}: is no checkpoint of the record of that key")
    return int(lines[1]), base64.b64decode(lines[2], validate=True)


def no_twice(pairs):
    names = [name for name, _ in pairs]
    if len(names) != len(set(names)):
        raise ValueError("a name stands there twice")
    return dict(pairs)


def row_of(line, place):
    try:
        row = json.loads(line, object_pairs_hook=no_twice)
        if set(row) != ROW_NAMES or row["v"] != 1 or not isinstance(row["seq"], int):
            raise ValueError("it has not the names of a row")
        return row
    except (ValueError, TypeError) as error:
        raise Fault(f"{place}: is no row: {error}") from None


class Bundle:
    def __init__(self, folder):
        self.folder = folder

    def bytes(self, name):
        parts = name.split("/")
        # A name that leads out of the bundle, a link and a pipe are no files of it.
        if any(part in ("", ".", "..") or os.sep in part or "\0" in part for part in parts):
            raise Fault(f"{name}: is missing")
        path = os.path.join(self.folder, *parts)
        try:
            if not stat.S_ISREG(os.lstat(path).st_mode):
                raise Fault(f"{name}: is no regular file")
            with open(path, "rb") as file:
                return file.read()
        except FileNotFoundError:
            raise Fault(f"{name}: is missing") from None
        except OSError as error:
            raise Fault(f"{name}: cannot be read: {error}") from None

    def text(self, name):
        try:
            return self.bytes(name).decode()
        except UnicodeDecodeError:
            raise Fault(f"{name}: is no text") from None

    def lines(self, name):
        lines = self.text(name).split("\n")
        return lines[:-1] if lines[-1] == "" else lines

    def names(self):
        for folder, _, files in os.walk(self.folder):
            for file in files:
                yield os.path.relpath(os.path.join(folder, file), self.folder).replace(os.sep, "/")

    def files(self, manifest):
        faults = []
        known = {"manifest.json", "manifest.note"}
        for file in manifest["files"]:
            known.add(file["name"])
            try:
                data = self.bytes(file["name"])
            except Fault as fault:
                faults.append(str(fault))
                continue
            if len(data) != file["bytes"]:
                faults.append(f"{file['name']}: has {len(data)} bytes, not {file['bytes']}; it was changed or cut short")
            elif sha256(data).hex() != file["sha256"]:
                faults.append(f"{file['name']}: was changed; its SHA-256 is {sha256(data).hex()}, not {file['sha256']}")
        faults += [f"{name}: is not one of the bundle's files" for name in sorted(self.names()) if name not in known]
        required = ["data.csv", "events.jsonl", "hours.jsonl", "figures.csv", "checkpoint.txt"]
        faults += [f"{name}: manifest.json does not name it" for name in required if name not in known]
        return faults, f"{len(manifest['files'])} files as listed"

    def manifest(self, text, key):
        wanted = f"hypocaust-bundle-manifest@v1\n{sha256(text.encode()).hex()}\n"
        if key.open(self.text("manifest.note"), "manifest.note") != wanted:
            raise Fault("manifest.json: is not the one that was signed")
        return [], "the list of files is signed by that key"

    def events(self):
        faults, before, last = [], None, None
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
        return faults, last

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
        head, _, theirs = self.text(name).partition("\n\n")
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
        for number, line in enumerate(self.lines("data.csv"), 1):
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

    def previous(self, note, key, checkpoint):
        earlier = checkpoint_of(note, key, "the earlier checkpoint")
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
    if folder is None or not os.path.isdir(folder):
        print(f"there is no folder {shown(folder)}", file=sys.stderr)
        return 66
    bundle = Bundle(folder)
    try:
        text = bundle.text("manifest.json")
        manifest = json.loads(text, object_pairs_hook=no_twice)
        if manifest["v"] != 1:
            raise ValueError("another version")
        enclosed = Key(bundle.text("log.vkey"))
        key = Key(vkey) if vkey else enclosed
        earlier = None
        if previous is not None:
            with open(previous, encoding="utf-8") as file:
                earlier = file.read()
    except (Fault, ValueError, KeyError, TypeError, OSError) as error:
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
        except (ValueError, KeyError, TypeError, IndexError) as error:
            faults, said = [f"is not in its form: {error!r}"], ""
        if not faults:
            print(f"ok    {name:<11} {shown(said)}")
        failed = failed or bool(faults)
        for fault in faults[:LISTED]:
            print(f"FAIL  {name:<11} {shown(fault)}")
        if len(faults) > LISTED:
            print(f"FAIL  {name:<11} and {len(faults) - LISTED} more of this kind")

    state = {"checkpoint": None, "note": "", "last": None, "hours": {}, "figures": {}}

    def checkpoint():
        state["note"] = bundle.text("checkpoint.txt")
        state["checkpoint"] = checkpoint_of(state["note"], key, "checkpoint.txt")
        return [], f"{state['checkpoint'][0]} rows on record, signed by that key"

    def events():
        faults, state["last"] = bundle.events()
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
    if earlier is not None:
        step("previous", lambda: bundle.previous(earlier, key, state["checkpoint"]))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
