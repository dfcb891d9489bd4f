// Sends what is only on this phone, in order, and takes along what others have written.
//
// One tab at a time does it (Web Locks). Ids are made when a record is written, so that sending twice changes nothing.

import * as outbox from "./outbox.js";

const BATCH = 100;
const AGAIN_MS = 20000;
const SOON_MS = 300;
const NOTEWORTHY_MS = 1000; // a smaller error of the clock is that of the network
const REFUSALS = [404, 409, 413, 422]; // asking again would change nothing
export const FORMAT = 1;

/**
 * States: `resting`, `sending`, `no-signal`, `sign-in`, `trouble` (then `problem` says what).
 * tell: {taken(answer), own(), elsewhere(), stands()}: something new was taken along; records of this phone arrived or
 * were refused; another tab has changed what the phone keeps; the state is another.
 */
export class Sync {
  constructor(trip, tell) {
    this.trip = trip;
    this.tell = tell;
    this.state = "resting";
    this.problem = "";
    this.arrivedAt = null;
    this.offsetMs = 0;
    this.again = 0;
    this.channel = "BroadcastChannel" in window ? new BroadcastChannel("rimaye check " + trip) : null;
    this.channel?.addEventListener("message", ({ data }) => {
      Object.assign(this, data);
      this.tell.elsewhere();
    });
  }

  /** The time as the service has it, as far as this phone knows. */
  now() { return Date.now() + this.offsetMs; }

  /** How far this phone's clock was off the last time. */
  async recall() { this.offsetMs = (await outbox.meta("offset")) ?? 0; }

  begin() {
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
      if (await this.sendPhotos()) this.arrivedAt = this.now();
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
    this.tell.stands();
  }

  /** The records of whoever is signed in that the service does not have yet. */
  async waiting() {
    const reader = await outbox.reader(this.trip);
    return (await outbox.ofTrip(this.trip)).filter(({ seq, problem, entry }) =>
      seq === null && problem === null && (!reader || samePerson(entry.actor, reader)));
  }

  /** Send the photos of whoever is signed in, after the records that name them; one at a time, for little signal. */
  async sendPhotos() {
    const reader = await outbox.reader(this.trip);
    const waiting = (await outbox.photosOf(this.trip)).filter(({ problem, actor }) =>
      problem === null && (!reader || samePerson(actor, reader)));
    for (const photo of waiting) {
      this.stand("sending");
      const form = new FormData();
      form.set("photo", new Blob([await outbox.pixels(photo.hash)]), "photo.jpg");
      for (const name of ["subject", "requirement"]) form.set(name, photo[name]);
      const answer = await this.ask(`/api/trips/${this.trip}/photos`, { method: "POST", body: form }, REFUSALS);
      if (answer.ok) await outbox.letGoPhoto(photo.hash);
      else await outbox.refusePhoto(photo, (await answer.json().catch(() => null))?.detail ?? `The service answered ${answer.status}.`);
      await this.tell.own();
    }
    return waiting.length;
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
      await this.tell.own();
      sent += batch.length;
    }
    return sent;
  }

  async take() {
    const asked = this.asked ? Date.now() : null;
    this.asked = true;
    // The browser asks whether what it has is still so. The first time the page itself has asked while it was read.
    const answer = await this.ask(`/api/trips/${this.trip}/hands-on`);
    const clock = this.setClock(answer.headers.get("Rimaye-Now"), asked ?? Date.now(), Date.now());
    const mark = answer.headers.get("ETag");
    if (mark !== (await outbox.mark(this.trip))) {
      const taken = await answer.json();
      if (taken.format !== FORMAT) throw new Stopped("trouble", "This page is older than the service. Load it again while there is signal.");
      await this.tell.taken(taken);
      await outbox.keepTaken(this.trip, mark, taken);
      const covered = (await outbox.ofTrip(this.trip)).filter(({ seq }) => seq !== null && seq <= taken.seq);
      if (covered.length) {
        await outbox.letGo(covered.map(({ n }) => n));
        await this.tell.own();
      }
    }
    await clock;
  }

  async setClock(told, before, after) {
    if (!told) return;
    const was = this.offsetMs;
    this.offsetMs = Math.round(Date.parse(told) - (before + after) / 2);
    if (Math.abs(this.offsetMs - was) < NOTEWORTHY_MS) return;
    await outbox.keepMeta("offset", this.offsetMs);
    this.tell.elsewhere();
  }

  /** A request to the service; throws Stopped when it cannot be answered now, but for the statuses `also` asked for. */
  async ask(address, options, also = []) {
    let answer;
    try {
      answer = await fetch(address, options);
    } catch {
      throw new Stopped("no-signal");
    }
    if (answer.ok || also.includes(answer.status)) return answer;
    if (answer.status === 401) throw new Stopped("sign-in");
    const told = await answer.json().catch(() => null);
    throw new Stopped("trouble", told?.detail ?? `The service answered ${answer.status}.`);
  }
}

const samePerson = (a, b) => a.id === b.id && a.name === b.name && a.role === b.role;

class Stopped extends Error {
  constructor(state, message = "") {
    super(message);
    this.state = state;
  }
}
