// The check as it stands on this phone: what was taken along, what was written here, and what follows from both.

import { applies, evaluate, findingOf, holding, needed } from "./evaluator.js";
import * as outbox from "./outbox.js";
import { behindOf, keyOf, standing, toLookAt, together } from "./picture.js";
import { STATIONS, ZONES } from "./saying.js";

const { moment, newId } = outbox;

const UNDO_WITHIN_MS = 10 * 60 * 1000;
const NOW_WITHIN_MS = 5 * 60 * 1000;
const LONGEST_LOOK_MS = 3 * 60 * 1000;
const ORDER = Object.entries(ZONES).flatMap(([station, zones]) => zones.map((zone) => [zone, station]));
const PLACE = new Map(ORDER.map(([zone], place) => [zone, place]));
const STATION = new Map(ORDER);

function byKey(records) {
  const found = new Map();
  for (const record of records) found.set(keyOf(record), [...(found.get(keyOf(record)) ?? []), record]);
  return found;
}

export class Model {
  constructor(trip, now) {
    this.trip = trip;
    this.device = "";
    this.now = now;
    this.taken = null;
    this.own = [];
    this.photos = [];
    this.stale = false;
    this.writes = 0;
    this.writing = new Set();
  }

  /** The records this phone keeps, read when none is just being kept. */
  async readOwn() {
    let own;
    let before;
    do {
      await Promise.allSettled(this.writing);
      before = this.writes;
      [own, this.photos] = await Promise.all([outbox.ofTrip(this.trip), outbox.photosOf(this.trip)]);
    } while (before !== this.writes);
    return own;
  }

  /** Read again what the phone keeps. */
  async load() {
    const kept = await outbox.taken(this.trip);
    this.own = await this.readOwn();
    if (kept) this.taken = kept.answer;
    this.stale = this.taken !== null;
  }

  /** Go by what was just taken along. */
  async goBy(taken) {
    this.own = await this.readOwn();
    this.taken = taken;
    this.stale = true;
  }

  /** Read again what became of the records of this phone; nothing else has changed. */
  async lookAtOwn() {
    this.own = await this.readOwn();
    if (this.stale) return;
    for (const [key, records] of this.stands ?? []) if (records.some((record) => record.only_here)) this.workOutOne(key);
  }

  /** Have everything worked out that follows from what is known. */
  workOut() {
    if (!this.stale) return;
    this.stale = false;
    this.base = byKey(this.taken.sightings ?? []);
    const all = together(this.taken, this.own);
    this.byId = new Map(all.records.map((record) => [record.id, record]));
    this.stands = standing(all.records, all.withdrawn);
    this.findings = evaluate(this.taken, this.stands);
    this.lists = new Map();
  }

  /** What follows for one thing of one subject, when only records of it have changed. */
  workOutOne(key) {
    const about = this.own.filter(({ entry: { body } }) => body.kind === "withdrawn" || keyOf(body) === key);
    const all = together({ ...this.taken, sightings: this.base.get(key) ?? [] }, about);
    for (const record of all.records) this.byId.set(record.id, record);
    const heads = standing(all.records, all.withdrawn).get(key) ?? [];
    this.stands.set(key, heads);
    const [subject, requirement] = [this.subject(key.split(".")[0]), this.requirement(key.split(".")[1])];
    if (!subject || !requirement) return;
    const found = findingOf(this.taken, subject, requirement, heads);
    if (found) this.findings.set(key, found);
    else this.findings.delete(key);
    this.lists.delete(subject.id);
  }

  get ready() { return this.taken !== null; }
  get mayRecord() { return this.taken.may_record; }
  subject(id) { return this.taken.subjects.find((subject) => subject.id === id); }
  requirement(id) { return this.taken.requirements.find((requirement) => requirement.id === id); }
  records(subject, requirement) { return this.stands.get(subject + "." + requirement) ?? []; }

  // -- what is to be done ------------------------------------------------------------------------------------

  /** Everything on the list of someone, in the order of a check; what is not asked comes last. */
  things(subjectId) {
    if (!this.lists.has(subjectId)) this.lists.set(subjectId, this.listed(this.subject(subjectId)));
    return this.lists.get(subjectId);
  }

  listed(subject) {
    return this.taken.requirements
      .map((requirement, place) => ({ requirement, place }))
      .filter(({ requirement }) => applies(requirement, subject))
      .map(({ requirement, place }) => this.thing(subject, requirement, place))
      .sort((a, b) => b.asked - a.asked || PLACE.get(a.requirement.zone) - PLACE.get(b.requirement.zone) || a.place - b.place);
  }

  thing(subject, requirement, place) {
    const records = this.records(subject.id, requirement.id);
    const finding = this.findings.get(subject.id + "." + requirement.id) ?? null;
    return {
      subject, requirement, place, records, finding,
      held: holding(records),
      asked: requirement.asked.length > 0,
      left: toLookAt(finding, records),
      gap: Boolean(finding?.known_gap),
      flag: finding && this.flagOf(finding),
      needed: needed(requirement, subject),
    };
  }

  /** What somebody has done about a finding; null once that is over, or the gap has become another. */
  flagOf({ id, kind, grade }) {
    const flag = this.taken.flags?.[id];
    if (!flag || (flag.until && Date.parse(flag.until) <= this.now())) return null;
    return flag.state === "taken" || (flag.kind === kind && flag.grade === grade) ? flag : null;
  }

  one(subjectId, item) { return this.things(subjectId).find((thing) => thing.requirement.id === item) ?? null; }

  /** The next thing to look at, round the list once, after `item` and without it. */
  nextAfter(subjectId, item) {
    const things = this.things(subjectId);
    const at = things.findIndex((thing) => thing.requirement.id === item);
    return [...things.slice(at + 1), ...things.slice(0, Math.max(at, 0))].find((thing) => thing.left) ?? null;
  }

  /** [title, things] of each station at which something is asked of someone. */
  stations(subjectId) {
    const asked = this.things(subjectId).filter((thing) => thing.asked);
    return Object.entries(STATIONS)
      .map(([id, title]) => [title, asked.filter((thing) => STATION.get(thing.requirement.zone) === id)])
      .filter(([, things]) => things.length > 0);
  }

  group(id) {
    const people = this.taken.subjects.filter((subject) => subject.scope === "person");
    const roped = this.taken.ropes.flatMap((rope) => rope.members);
    const place = ({ id: member }) => (roped.includes(member) ? roped.indexOf(member) : roped.length);
    if (id === "party") return people.sort((a, b) => place(a) - place(b));
    const rope = this.taken.ropes.find((one) => one.id === id);
    return rope ? rope.members.map((member) => this.subject(member)) : null;
  }

  /** What can be called out to a group, in the order of a check. */
  itemsOf(group) {
    const found = new Map();
    for (const subject of this.group(group)) {
      for (const thing of this.things(subject.id)) if (thing.asked) found.set(thing.requirement.id, thing);
    }
    return [...found.values()]
      .sort((a, b) => PLACE.get(a.requirement.zone) - PLACE.get(b.requirement.zone) || a.place - b.place)
      .map((thing) => thing.requirement);
  }

  called(group, item) {
    return this.group(group).map((subject) => this.one(subject.id, item)).filter((thing) => thing?.asked);
  }

  /** How far someone is, and with whom. */
  progress(subjectId) {
    const subject = this.subject(subjectId);
    const things = this.things(subjectId).filter((thing) => thing.asked);
    const last = this.lastLook(subject);
    const since = last.at === null ? Infinity : this.now() - last.at;
    return {
      subject,
      things: things.length,
      left: things.filter((thing) => thing.left).length,
      gaps: things.filter((thing) => thing.gap).length,
      spent: (subject.spent_s ?? 0) + this.spentHere(subjectId) / 1000,
      last,
      nowWith: since >= 0 && since <= NOW_WITHIN_MS ? last.by : null,
    };
  }

  lastLook(subject) {
    const ahead = this.ownLooks().filter((look) => look.subject === subject.id).at(-1);
    const known = subject.last_at ? { by: subject.last_by, at: Date.parse(subject.last_at) } : { by: null, at: null };
    return ahead && ahead.at >= (known.at ?? 0) ? { by: ahead.by, at: ahead.at } : known;
  }

  /** Looks written here that what was taken along does not count yet. */
  ownLooks() {
    return this.own
      .filter(({ entry, seq }) => entry.body.kind === "sighting" && !(seq !== null && seq <= this.taken.seq))
      .map(({ entry }) => ({ subject: entry.body.subject, by: entry.actor.name, at: Date.parse(entry.happened_at) }));
  }

  spentHere(subjectId) {
    const looks = this.ownLooks();
    return looks.reduce((sum, look, place) => {
      const pause = place === 0 ? 0 : look.at - looks[place - 1].at;
      return sum + (look.subject === subjectId && pause > 0 && pause <= LONGEST_LOOK_MS ? pause : 0);
    }, 0);
  }

  // -- writing -----------------------------------------------------------------------------------------------

  /**
   * Keep looks ({body, after}) on this phone, with a photo ({hash, bytes}) of the thing if there is one. They are shown at once; they count as kept, and the promise resolves, when
   * they are on the disk. Should that fail, they are gone from the screen too.
   */
  write(looks, photo = null) {
    this.workOut();
    const kept = looks.map((one) => this.kept(one));
    const keys = new Set(looks.map(({ body }) => keyOf(body.kind === "withdrawn" ? this.byId.get(body.entry) : body)));
    const anew = () => { for (const key of keys) this.workOutOne(key); };
    this.own.push(...kept);
    anew();
    this.writes += 1;
    const waits = photo && this.aboutPhoto(photo, looks[0].body);
    const writing = outbox.add(kept.map(({ keeping, ...record }) => record), waits).then(
      (numbered) => {
        numbered.forEach(({ n }, place) => Object.assign(kept[place], { n, keeping: false }));
        if (waits) this.photos = [...this.photos.filter(({ hash }) => hash !== waits.hash), waits];
      },
      (failed) => {
        this.own = this.own.filter((one) => !kept.includes(one));
        anew();
        throw failed;
      });
    this.writing.add(writing);
    const over = () => this.writing.delete(writing);
    writing.then(over, over);
    return writing;
  }

  aboutPhoto({ hash, bytes }, { subject, requirement }) {
    const { trip, taken: { reader } } = this;
    return { hash, bytes, trip, subject, requirement, actor: reader, since: this.now(), problem: null };
  }

  kept({ body, after }) {
    const now = this.now();
    const id = newId(now);
    const heads = body.kind === "sighting" ? this.records(body.subject, body.requirement) : [];
    const entry = {
      id, trip: this.trip, body, actor: this.taken.reader, device: this.device, happened_at: moment(now),
      seen_seq: this.taken.seq, after,
    };
    const behind = behindOf(heads.filter((head) => after.includes(head.id)), this.byId);
    return { id, trip: this.trip, entry, behind, since: now, seq: null, problem: null, keeping: true };
  }

  /** One's own newest record that still stands, if it is of the last minutes. */
  lastOwn() {
    const reader = this.taken.reader.id;
    const since = moment(this.now() - UNDO_WITHIN_MS);
    const recent = [...this.stands.values()].flat().filter((record) => record.at >= since && record.writer.id === reader);
    return recent.sort((a, b) => (a.at < b.at ? 1 : a.at > b.at ? -1 : a.id < b.id ? 1 : -1))[0] ?? null;
  }

  /** Take it back, by an entry that says so. */
  undo(last) {
    return this.write([{ body: { kind: "withdrawn", entry: last.id, reason: "taken back" }, after: [] }]);
  }

  // -- what is only here -------------------------------------------------------------------------------------

  get waiting() { return this.own.filter(({ seq, problem, keeping }) => seq === null && problem === null && !keeping); }
  get refused() { return this.own.filter(({ problem }) => problem !== null); }
  get photosWaiting() { return this.photos.filter(({ problem }) => problem === null); }
  get photosRefused() { return this.photos.filter(({ problem }) => problem !== null); }
  get strangers() { return this.waiting.filter(({ entry }) => entry.actor.id !== this.taken?.reader.id); }

  async putAway(n) {
    await outbox.letGo([n]);
    await this.load();
  }

  async putPhotoAway(hash) {
    await outbox.letGoPhoto(hash);
    await this.load();
  }
}

