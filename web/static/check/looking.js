// What a tap on a thing writes: the same as api/handson/looking.py.

import { contradict, holding, rung, worth } from "./evaluator.js";

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
