"""Asks `hornwire levels` for random pads and solves each by its nodes, without any formula of pads or two-ports.

Needs numpy. Usage: nodal.py PROGRAM
"""

import itertools
import json
import random
import subprocess
import sys

import numpy as np

PADS = 240
KINDS = ["L", "U", "T", "H", "pi", "O", "bridged-T", "minimum-loss"]


def solve(resistors, source, load):
    """Output voltage of 1 V behind the source, and the input impedance: modified nodal analysis with an ideal source."""
    branches = []
    # Node 0 is the lower input terminal, 1 the upper one, 2 the ideal source's.
    upper, lower, nodes = 1, 0, 3
    for place, ohm in resistors:
        if place == "line":
            branches.append((upper, nodes, ohm))
            upper, nodes = nodes, nodes + 1
        elif place == "return":
            branches.append((lower, nodes, ohm))
            lower, nodes = nodes, nodes + 1
        elif place == "across":
            branches.append((upper, lower, ohm))
        elif place == "bridge":
            branches.append((1, upper, ohm))
        else:
            raise ValueError(place)
    branches.append((upper, lower, load))
    branches.append((2, 1, source))
    # Unknown: each node's voltage, and the source's current.
    matrix = np.zeros((nodes + 1, nodes + 1))
    right = np.zeros(nodes + 1)
    for a, b, ohm in branches:
        matrix[a, a] += 1 / ohm
        matrix[b, b] += 1 / ohm
        matrix[a, b] -= 1 / ohm
        matrix[b, a] -= 1 / ohm
    matrix[2, nodes] = -1
    matrix[nodes, 2] = 1
    right[nodes] = 1
    # The reference.
    matrix[0, :] = 0
    matrix[0, 0] = 1
    found = np.linalg.solve(matrix, right)
    current = found[nodes]
    return found[upper] - found[lower], found[1] / current


def loss(resistors, source, load):
    out, seen = solve(resistors, source, load)
    return 10 * np.log10(0.25 / source * load / out**2), seen


def turned(resistors):
    """The same from its output: order and names of upper joints turn round; a bridge stays one."""
    bridges = [r for r in resistors if r[0] == "bridge"]
    ladder = [r for r in resistors if r[0] != "bridge"]
    return ladder[::-1] + bridges


def near(found, wanted, within, what):
    if abs(found - wanted) > within:
        raise SystemExit(f"{what}: {found}, by nodes {wanted}")
    return abs(found - wanted)


def main():
    program = sys.argv[1]
    rng = random.Random(600)
    worst = 0.0
    done = 0
    asked = 0
    while done < PADS:
        asked += 1
        kind = KINDS[asked % len(KINDS)]
        source = round(10 ** rng.uniform(1.5, 4), 1)
        load = source
        if kind == "minimum-loss" or (kind != "bridged-T" and rng.random() < 0.5):
            load = round(source * 10 ** rng.uniform(-1, 1), 1)
        wanted = round(rng.uniform(0.5, 60), 1)
        command = [program, "levels", "pad", "--json", "--kind", kind, "--impedance", str(source), "--load", str(load)]
        if kind != "minimum-loss":
            command += ["--loss", f"{wanted} dB"]
        answer = subprocess.run(command, capture_output=True, text=True)
        if answer.returncode == 65:
            # Less than the least loss between these impedances.
            r = max(source / load, load / source)
            one_sided = kind in ["L", "U"]
            least = 10 * np.log10(r) if one_sided else 20 * np.log10(np.sqrt(r) + np.sqrt(r - 1))
            if kind != "minimum-loss" and wanted > least + 0.05:
                raise SystemExit(f"refused: {command}: {answer.stderr}")
            continue
        if answer.returncode != 0:
            raise SystemExit(f"{command}: {answer.returncode}: {answer.stderr}")
        pad = json.loads(answer.stdout)
        for way in ["exact", "e24", "e96"]:
            told = pad[way]
            resistors = [(r["place"], r["ohm"]) for r in told["resistors"]]
            db, seen = loss(resistors, source, load)
            # Losses are told to a ten-thousandth, those of corners to a thousandth.
            worst = max(worst, near(told["loss_db"], db, 0.002, f"{command} {way}: loss"))
            near(told["source_sees_ohm"], seen, 0.06 + seen * 1e-4, f"{command} {way}: the source sees")
            _, back = loss(turned(resistors), load, source)
            near(told["load_sees_ohm"], back, 0.06 + back * 1e-4, f"{command} {way}: the load sees")
            if way == "exact":
                if kind != "minimum-loss":
                    near(db, wanted, 0.01, f"{command}: what was asked for")
                near(seen, source, source * 1e-3 + 0.01, f"{command}: matched")
            for name, part in [("one_percent", 0.01), ("five_percent", 0.05)]:
                corners = [
                    loss([(p, r * (1 + s * part)) for (p, r), s in zip(resistors, signs)], source, load)
                    for signs in itertools.product([-1, 1], repeat=len(resistors))
                ]
                for i, key, within in [(0, "loss_db", 0.002), (1, "source_sees_ohm", 0.06 + source * 1e-4)]:
                    values = [corner[i] for corner in corners]
                    near(told[name][key][0], min(values), within, f"{command} {way} {name}: least {key}")
                    near(told[name][key][1], max(values), within, f"{command} {way} {name}: most {key}")
        done += 1
    print(f"{done} pads of {asked}, each exact and in two series; losses agree within {worst:.5f} dB")


main()
