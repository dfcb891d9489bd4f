// The call without signal: what was called is kept on this phone and sent when there is signal again.
// Also lets the slider of past boards say where it stands.

import { add, deviceName, keepMeta, meta, moment, newId, ofTrip } from "./check/outbox.js";
import { Sync } from "./check/sync.js";

const ANSWER_MS = 4000;
const page = document.getElementById("call-page");
const form = document.getElementById("make-call");
const told = document.getElementById("offline");

const slider = document.getElementById("seq");
slider?.addEventListener("input", () => { document.getElementById("seq-out").textContent = slider.value; });

if (page && form && window.indexedDB) {
  // How far the service's clock, as it was when the page was made, is ahead of this phone's.
  let aheadMs = Date.parse(page.dataset.now) - Date.now();
  const sync = new Sync(page.dataset.trip, { taken() {}, own() {}, elsewhere() {}, stands: () => say(sync.state) });
  let keptId = null;

  const say = async (state) => {
    if (!keptId) return;
    const kept = (await ofTrip(page.dataset.trip)).find(({ id }) => id === keptId);
    told.hidden = false;
    if (kept?.problem) told.textContent = `The service did not take the call: ${kept.problem}`;
    else if (state === "resting" && (!kept || kept.seq !== null)) {
      told.textContent = "The call has arrived and is countersigned. Load the page again to see it.";
    } else if (state === "sign-in") told.textContent = "The call is kept on this phone. Sign in again to send it.";
    else told.textContent = "No signal. The call is kept on this phone and sent by itself; keep this page at hand.";
  };

  let reached = false;
  form.addEventListener("submit", async (event) => {
    if (reached) return;
    event.preventDefault();
    if (navigator.onLine && await answers()) {
      reached = true; // the service takes it, and says what is in the way
      return form.requestSubmit(event.submitter);
    }
    const problem = wrong();
    if (problem) {
      told.hidden = false;
      told.textContent = problem;
      told.scrollIntoView();
      return;
    }
    keptId = await keep();
    form.querySelector("button.do").disabled = true;
    say("no-signal");
    told.scrollIntoView();
    sync.begin();
  });

  /** Whether the service answers: a phone that thinks it has signal may have none. */
  const answers = () => fetch(`/trips/${page.dataset.trip}/call/kept`, { signal: AbortSignal.timeout(ANSWER_MS) })
    .then((answer) => answer.ok, () => false);

  /** The walk-down as it may be kept, so that one visit of the trip is enough. */
  const keepPage = async () => {
    if (!("serviceWorker" in navigator)) return;
    const address = `/trips/${page.dataset.trip}/call`;
    const [answer] = await Promise.all([fetch(address + "/kept"), navigator.serviceWorker.register("/sw.js")]);
    if (answer.ok) await (await caches.open("rimaye-check-calls")).put(address, answer);
    await navigator.serviceWorker.ready;
    form.dataset.kept = "";
  };

  const begin = async () => {
    if ("kept" in page.dataset) aheadMs = (await meta("offset")) ?? 0; // it may have been made days ago
    else {
      await keepMeta("offset", aheadMs);
      keepPage().catch(() => {}); // without it the page works while it is open
    }
    form.dataset.ready = "";
  };
  begin();

  /** Why this call cannot be kept as it is; the same rules as on the service. */
  const wrong = () => {
    const data = new FormData(form);
    const decision = data.get("decision");
    const accepted = [...data].filter(([name, value]) => name.startsWith("accept.") && value.trim().length > 2);
    const stays = data.getAll("stays");
    const open = [...data.keys()].filter((name) => name.startsWith("accept."))
      .map((name) => name.slice(7))
      .filter((id) => !accepted.some(([name]) => name === "accept." + id) && !stays.includes(id.split(".")[0]));
    if (decision === "wait" && data.get("reason").trim().length < 3) return "Say in a few words what is waited for.";
    if (decision === "go-with-changes" && !stays.length && !data.get("left").trim()) {
      return "Say what changes: who stays, or what is left. Moving people between ropes needs signal.";
    }
    if (decision.startsWith("go") && open.length) return `${open.length} open stops are passed over: fix, leave behind, or accept each.`;
    return "";
  };

  const keep = async () => {
    const data = new FormData(form);
    const now = Date.now() + aheadMs;
    const device = (await meta("device")) ?? deviceName();
    await keepMeta("device", device);
    const { trip, hold, seenSeq, findings, forecast, actorId, actorName, actorRole } = page.dataset;
    const decision = data.get("decision");
    const changes = decision === "go-with-changes";
    const stays = changes ? data.getAll("stays") : [];
    const accepted = decision.startsWith("go")
      ? [...data].filter(([name, value]) => name.startsWith("accept.") && value.trim().length > 2) : [];
    const entry = {
      id: newId(now),
      trip,
      body: {
        kind: "call-made",
        hold,
        decision,
        reason: data.get("reason").trim(),
        stays,
        left: changes ? data.get("left").trim() : "",
        settled: accepted.map(([name, reason]) => ({ finding: name.slice(7), how: "accepted", reason: reason.trim() })),
        knew: { seq: Number(seenSeq), findings: findings.split(" ").filter(Boolean), forecast: forecast || null },
      },
      actor: { id: actorId, name: actorName, role: actorRole },
      device,
      happened_at: moment(now),
      seen_seq: Number(seenSeq),
    };
    await add([{ id: entry.id, trip, entry, behind: [], since: now, seq: null, problem: null }]);
    return entry.id;
  };
}
