// Sends what is only on this phone, in order, and takes along what others have written.
//
// One tab at a time does it (Web Locks). Ids are made when a record is written, so that sending twice changes nothing.

import * as outbox from "./outbox.js";

const BATCH = 100;
const AGAIN_MS = 20000;
const SOON_MS = 300;
export const FORMAT = 1;

/** States: `resting`, `sending`, `no-signal`, `sign-in`, `trouble` (then `problem` says what). */
export class Sync {
  constructor(trip, changed) {
    this.trip = trip;
    this.changed = changed;
    this.state = "resting";
    this.problem = "";
    this.arrivedAt = null;
    this.offsetMs = 0;
    this.again = 0;
    this.channel = "BroadcastChannel" in window ? new BroadcastChannel("rimaye check " + trip) : null;
    this.channel?.addEventListener("message", ({ data }) => {
      Object.assign(this, data);
      this.changed();
    });
  }

  /** The time as the service has it, as far as this phone knows. */
  now() { return Date.now() + this.offsetMs; }

  async begin() {
    this.offsetMs = (await outbox.meta("offset")) ?? 0;
    window.addEventListener("online", () => this.run());
    window.addEventListener("offline", () => this.stand("no-signal"));
    document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") this.run(); });
    document.body.addEventListener("board:changed", () => this.run());
    return this.run();
  }

  /** Something was written: tell other tabs, and send it in a moment. */
  soon() {
    this.channel?.postMessage({});
    this.plan(SOON_MS);
  }

  plan(ms) {
    clearTimeout(this.again);
    this.again = setTimeout(() => this.run(), ms);
  }

  async run() {
    clearTimeout(this.again);
    const once = async (lock) => {
      if (lock === null) return this.plan(AGAIN_MS); // another tab is at it, and will tell
      await this.sendAndTake();
    };
    if (navigator.locks) await navigator.locks.request("rimaye check " + this.trip, { ifAvailable: true }, once);
    else if (!this.running) {
      this.running = true;
      await once().finally(() => { this.running = false; });
    }
  }

  async sendAndTake() {
    try {
      await this.take(); // first, because it says who is signed in
      if (await this.send()) {
        this.arrivedAt = this.now();
        await this.take();
      }
      this.stand("resting");
      if ((await this.waiting()).length) this.plan(SOON_MS); // written meanwhile
    } catch (stopped) {
      if (!(stopped instanceof Stopped)) throw stopped;
      this.stand(stopped.state, stopped.message);
      this.plan(AGAIN_MS);
    }
    const { state, problem, arrivedAt, offsetMs } = this;
    this.channel?.postMessage({ state, problem, arrivedAt, offsetMs });
  }

  stand(state, problem = "") {
    this.state = state;
    this.problem = problem;
    this.changed();
  }

  /** The records of whoever is signed in that the service does not have yet. */
  async waiting() {
    const reader = (await outbox.taken(this.trip))?.answer.reader;
    return (await outbox.ofTrip(this.trip)).filter(({ seq, problem, entry }) =>
      seq === null && problem === null
      && (!reader || (entry.actor.id === reader.id && entry.actor.name === reader.name && entry.actor.role === reader.role)));
  }

  async send() {
    let batch;
    let sent = 0;
    while ((batch = (await this.waiting()).slice(0, BATCH)).length) {
      this.stand("sending");
      const answer = await this.ask(`/api/trips/${this.trip}/journal`, {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ entries: batch.map((kept) => kept.entry) }),
      });
      const { outcomes } = await answer.json();
      await outbox.settle(outcomes.map((outcome) => [
        batch[outcome.position].n,
        outcome.status === "refused" ? { problem: outcome.problem || "refused" } : { seq: outcome.seq },
      ]));
      sent += batch.length;
    }
    return sent;
  }

  async take() {
    const known = await outbox.taken(this.trip);
    const asked = this.offsetMs + Date.now();
    const answer = await this.ask(`/api/trips/${this.trip}/hands-on`, known ? { headers: { "If-None-Match": known.mark } } : {});
    await this.setClock(answer.headers.get("Rimaye-Now"), asked - this.offsetMs, Date.now());
    if (answer.status !== 304) {
      const taken = await answer.json();
      if (taken.format !== FORMAT) throw new Stopped("trouble", "This page is older than the service. Load it again while there is signal.");
      await outbox.keepTaken(this.trip, answer.headers.get("ETag"), taken);
      const covered = (await outbox.ofTrip(this.trip)).filter(({ seq }) => seq !== null && seq <= taken.seq);
      await outbox.letGo(covered.map(({ n }) => n));
    }
  }

  async setClock(told, before, after) {
    if (!told) return;
    this.offsetMs = Math.round(Date.parse(told) - (before + after) / 2);
    await outbox.keepMeta("offset", this.offsetMs);
  }

  /** A request to the service; throws Stopped when it cannot be answered now. */
  async ask(address, options) {
    let answer;
    try {
      answer = await fetch(address, { credentials: "same-origin", cache: "no-store", ...options });
    } catch {
      throw new Stopped("no-signal");
    }
    if (answer.ok || answer.status === 304) return answer;
    if (answer.status === 401) throw new Stopped("sign-in");
    const told = await answer.json().catch(() => null);
    throw new Stopped("trouble", told?.detail ?? `The service answered ${answer.status}.`);
  }
}

class Stopped extends Error {
  constructor(state, message = "") {
    super(message);
    this.state = state;
  }
}
