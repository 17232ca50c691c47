#!/usr/bin/python3
"""The Rust libraries that are linked into the program, with their licences: their notices must go with the binary.

Usage: cargo metadata ... | libraries.py PACKAGE
"""
import json
import os
import re
import sys

NOTICE = re.compile(r"^(licen[cs]e|copying|notice|copyright|unlicense)", re.IGNORECASE)


def linked(metadata, name):
    """The ids of all packages that normal dependencies of `name` lead to, without procedural macros."""
    nodes = {node["id"]: node for node in metadata["resolve"]["nodes"]}
    packages = {package["id"]: package for package in metadata["packages"]}
    todo = [package["id"] for package in metadata["packages"] if package["name"] == name]
    seen = set(todo)
    while todo:
        for dependency in nodes[todo.pop()]["deps"]:
            if not any(kind["kind"] is None for kind in dependency["dep_kinds"]):
                continue
            found = dependency["pkg"]
            if any("proc-macro" in target["kind"] for target in packages[found]["targets"]):
                continue
            if found not in seen:
                seen.add(found)
                todo.append(found)
    return [packages[found] for found in seen if packages[found]["name"] != name]


def notices(package):
    directory = os.path.dirname(package["manifest_path"])
    for entry in sorted(os.listdir(directory)):
        path = os.path.join(directory, entry)
        if NOTICE.match(entry) and os.path.isfile(path):
            with open(path, encoding="utf-8", errors="replace") as file:
                yield entry, "\n".join(line.rstrip() for line in file.read().strip().splitlines())


def main():
    libraries = sorted(linked(json.load(sys.stdin), sys.argv[1]), key=lambda one: (one["name"], one["version"]))
    texts = {}
    print(f"The Rust libraries in {sys.argv[1]}: name, version, licence, notices (their texts follow)\n")
    for library in libraries:
        licence = library["license"] or "see its notices"
        numbers = [str(texts.setdefault(text, len(texts) + 1)) for _, text in notices(library)]
        print(f"{library['name']} {library['version']}: {licence}; {', '.join(numbers) or 'no text in its source package'}")
    for text, number in texts.items():
        print(f"\n---- {number} ----\n\n{text}")


if __name__ == "__main__":
    main()
