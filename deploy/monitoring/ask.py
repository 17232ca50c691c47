"""Asks a running Prometheus: are all boards seen as they are, do all rules evaluate, does every query of the dashboard give
something? Usage: ask.py URL DASHBOARD. Called by deploy/monitoring/check."""

import json
import sys
import time
import urllib.error
import urllib.parse
import urllib.request

url, dashboard = sys.argv[1:]
# What the boards of the check are like. Nothing else may be on its way to an alert.
EXPECTED = {
    ("HornwireBoardDown", "kiln"),
    ("HornwireZoneUnavailable", "sawmill"),
    ("HornwireNotRegistered", "yard"),
    ("HornwireSomethingMissing", "yard"),
}
failures = []


def ask(path, **parameters):
    # Loopback: no proxy.
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with opener.open(f"{url}/api/v1/{path}?{urllib.parse.urlencode(parameters)}", timeout=20) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as error:
        return json.load(error)


def fail(text):
    failures.append(text)
    print(f"    FAULT: {text}")


targets = {t["labels"]["board"]: t for t in ask("targets")["data"]["activeTargets"]}
for board, health in {"yard": "up", "sawmill": "up", "kiln": "down"}.items():
    if targets[board]["health"] != health:
        fail(f"{board} is {targets[board]['health']}: {targets[board]['lastError']}")

# An evaluation a second.
for _ in range(20):
    groups = ask("rules")["data"]["groups"]
    rules = [rule for group in groups for rule in group["rules"]]
    if all(rule["health"] == "ok" for rule in rules):
        break
    time.sleep(1)
for rule in rules:
    if rule["health"] != "ok":
        fail(f"{rule['name']} is {rule['health']}: {rule.get('lastError')}")
told = {}
for rule in rules:
    for alert in rule["alerts"]:
        told[rule["name"], alert["labels"].get("board")] = alert["annotations"]
        for text in alert["annotations"].values():
            if "error" in text or "<no value>" in text:
                fail(f"{rule['name']} says: {text}")
for alert in sorted(EXPECTED ^ set(told), key=str):
    fail(f"{alert} is {'missing' if alert in EXPECTED else 'not expected'}")
for annotations in told.values():
    print(f"    {annotations['summary']}")
print(f"==> ok: {len(rules)} rules evaluate, {len(told)} alerts are on their way" if not failures else "==> rules")

with open(dashboard) as file:
    board = json.load(file)
ids = [panel["id"] for panel in board["panels"]]
if len(set(ids)) != len(ids):
    fail("two panels have the same id")
taken = {}
for panel in board["panels"]:
    place = panel["gridPos"]
    for x in range(place["x"], place["x"] + place["w"]):
        for y in range(place["y"], place["y"] + place["h"]):
            if x >= 24 or taken.setdefault((x, y), panel["title"]) != panel["title"]:
                fail(f"{panel['title']} lies over {taken.get((x, y), 'the edge')}")
queries = 0
for panel in board["panels"]:
    for query in panel["targets"]:
        text = query["expr"]
        # As the dashboard does with "All".
        for name, value in {"$site": ".*", "$board": ".*", "$life": "100000", "$__range": "1h"}.items():
            text = text.replace(name, value)
        if "$" in text:
            fail(f"{panel['title']}: a variable that nobody knows: {text}")
        now = time.time()
        if query["instant"]:
            answer = ask("query", query=text)
        else:
            answer = ask("query_range", query=text, start=now - 20, end=now, step=1)
        queries += 1
        if answer["status"] != "success":
            fail(f"{panel['title']}: {answer.get('error')}: {text}")
            continue
        if answer.get("warnings"):
            fail(f"{panel['title']}: {answer['warnings']}")
        result = answer["data"]["result"]
        if not result:
            fail(f"{panel['title']}: nothing found: {text}")
            continue
        value = result[0].get("value") or result[0]["values"][-1]
        labels = {k: v for k, v in result[0]["metric"].items() if k not in ("__name__", "job", "instance")}
        print(f"    {panel['title']}: {len(result)} found, first {labels or ''} {float(value[1]):.4g}")
for variable in board["templating"]["list"]:
    if variable["type"] == "query":
        label = variable["definition"].split(",")[-1].strip(" )")
        selector = variable["definition"].removeprefix("label_values(").rsplit(",", 1)[0].replace("$site", ".*")
        found = {series[label] for series in ask("series", **{"match[]": selector})["data"]}
        print(f"    ${variable['name']}: {', '.join(sorted(found))}")
        if not found:
            fail(f"the variable {variable['name']} has no values")
if failures:
    sys.exit(f"{len(failures)} faults")
print(f"==> ok: {queries} queries of the dashboard, none in error, none empty")
