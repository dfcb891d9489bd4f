// What is known about each thing, from records of the service and of this phone: the same rules as api/journal/fold.py.
//
// A record replaces those that its writer knew (`after`). What nobody replaces stands; several that stand side by side
// come from people who had not seen each other's. A record taken back counts for nothing and hands on what it replaced.

import { contradict, holding, rung, worth } from "./evaluator.js";

export const keyOf = (record) => record.subject + "." + record.requirement;

const inOrder = (a, b) => (a.at < b.at ? -1 : a.at > b.at ? 1 : a.id < b.id ? -1 : a.id > b.id ? 1 : 0);

/**
 * The records that stand, by key, in order of (moment, id).
 * records: {id, subject, requirement, at, after: [ids], …}, each id once; withdrawn: a Set of ids.
 */
export function standing(records, withdrawn) {
  const registers = new Map();
  for (const record of records) {
    const key = keyOf(record);
    if (!registers.has(key)) registers.set(key, new Map());
    registers.get(key).set(record.id, record);
  }
  const stands = new Map();
  for (const [key, register] of registers) {
    const heads = headsOf(register, withdrawn);
    if (heads.length) stands.set(key, heads);
  }
  return stands;
}

function headsOf(register, withdrawn) {
  const counting = [...register.values()].filter((record) => !withdrawn.has(record.id));
  if (counting.length < 2) return counting;
  const replaced = replacedBy(counting, register, withdrawn);
  const unreplaced = counting.filter((record) => !replaced.has(record.id));
  // Records that replace each other in a ring cannot have been written so; none of them may vanish.
  return (unreplaced.length ? unreplaced : counting).sort(inOrder);
}

function replacedBy(counting, register, withdrawn) {
  const replaced = new Set();
  const pending = counting.flatMap((record) => record.after ?? []);
  while (pending.length) {
    const known = pending.pop();
    if (replaced.has(known) || !register.has(known)) continue;
    replaced.add(known);
    if (withdrawn.has(known)) pending.push(...(register.get(known).after ?? []));
  }
  return replaced;
}

/**
 * The records of a snapshot with those of this phone on top, as `standing` takes them.
 * own: entries as kept in the outbox. One that the snapshot has taken in already is left to the snapshot.
 */
export function together(snapshot, own) {
  const records = new Map();
  const withdrawn = new Set(snapshot.withdrawn ?? []);
  for (const sent of snapshot.sightings ?? []) {
    records.set(sent.id, { ...sent, writer: snapshot.writers[sent.by] });
  }
  const ahead = own.filter((kept) => kept.problem === null && !(kept.seq !== null && kept.seq <= snapshot.seq));
  for (const kept of ahead) {
    const { entry } = kept;
    if (entry.body.kind === "withdrawn") withdrawn.add(entry.body.entry);
    if (entry.body.kind !== "sighting" || records.has(entry.id)) continue;
    records.set(entry.id, {
      ...entry.body, id: entry.id, at: entry.happened_at, after: entry.after, writer: entry.actor,
      only_here: kept.seq === null, odd: null,
    });
  }
  // What a record of this phone had replaced, step by step, may stand again in a snapshot that lacks this record.
  for (const kept of ahead) {
    if (!withdrawn.has(kept.entry.id)) for (const id of kept.behind ?? []) records.delete(id);
  }
  return { records: [...records.values()], withdrawn };
}

/** Everything that the records in `heads` replaced, step by step, as far as it is known here. */
export function behindOf(heads, byId) {
  const behind = new Set();
  const pending = heads.flatMap((head) => head.after ?? []);
  while (pending.length) {
    const id = pending.pop();
    if (behind.has(id)) continue;
    behind.add(id);
    pending.push(...(byId.get(id)?.after ?? []));
  }
  return [...behind];
}

// -- what a tap on a thing writes, as api/handson/looking.py -------------------------------------------------

/** What each button says about a thing. */
export const TAPS = {
  seen: ["seen", "fits"],
  tried: ["tried", "fits"],
  unfit: ["seen", "unfit"],
  absent: ["seen", "absent"],
};

const knowsMore = (record, body) => rung(worth(record)) > rung(body.known) && !contradict(record, body);
const idsOf = (records) => records.map((record) => record.id);

/** A look at a thing: {body, after}. It keeps a record that agrees and knows more. */
export function look(subject, requirement, records, known, state) {
  const bare = { kind: "sighting", subject, requirement, known, state };
  if (holding(records).disagree) return { body: bare, after: idsOf(records) };
  const replaced = records.filter((record) => !knowsMore(record, bare));
  const same = replaced.filter((record) => record.state === state);
  const after = idsOf(replaced);
  if (same.length === 0 || state === "absent") return { body: bare, after };
  const last = same.at(-1);
  const body = { ...bare, answers: Object.assign({}, ...same.map((record) => record.answers ?? {})) };
  for (const name of ["count", "stand_in", "remark", "photo"]) if (last[name] !== undefined) body[name] = last[name];
  return { body, after };
}

/** A detail told about a thing; null while nobody has looked at it, or while records disagree. */
export function told(subject, requirement, records, writer, { answers = {}, ...details }) {
  const best = holding(records).record;
  if (best === null) return null;
  const base = look(subject, requirement, records, best.writer.id === writer ? best.known : "seen", best.state);
  const body = { ...base.body, ...details, answers: { ...base.body.answers, ...answers } };
  return { body, after: idsOf(records.filter((record) => !knowsMore(record, body))) };
}

const isOpen = (reason) => reason.kind === "unanswered" && reason.answer === null;

/** The fitness questions of a thing that can be answered now and are not. */
export function openQuestions(finding, requirement) {
  const open = (finding?.reasons ?? []).filter(isOpen).map((reason) => reason.question);
  return (requirement.questions ?? []).filter((question) => open.includes(question.id));
}

/** Whether how much there is has still to be said. */
export const countOpen = (finding, records) =>
  (finding?.reasons ?? []).some((reason) => reason.kind === "unanswered" && reason.question === null)
  && records.every((record) => (record.count ?? null) === null);

/** Whether a guide can move this on by looking, trying or asking. */
export function toLookAt(finding, records) {
  if (!finding) return false;
  if (finding.kind !== "unanswered") return ["unknown", "unseen", "disagree"].includes(finding.kind);
  return finding.reasons.some((reason) => isOpen(reason) && reason.question !== null) || countOpen(finding, records);
}
