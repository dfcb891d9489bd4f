// Judges gear on the phone: the same findings as api/readiness, from a kit list that the service has worked out.
//
// `evaluate` takes what GET /api/trips/{trip}/hands-on answered and the records that stand (picture.js). Tests hold
// its results against the service's own on thousands of generated people and conditions.

const RUNGS = ["unknown", "said", "pictured", "seen", "tried"];
const GUIDES = ["lead", "assistant"];
const BADNESS = ["absent", "rule", "unfit", "short", "disagree", "unknown", "unseen", "unanswered"];

export const rung = (known) => RUNGS.indexOf(known);
export const KNOWN_GAPS = ["absent", "unfit", "short", "rule"];

/** How a thing is known by one record. What climbers report themselves is a picture at best. */
export function worth(record) {
  return record.writer.role === "climber" && rung(record.known) > rung("pictured") ? "pictured" : record.known;
}

const same = (a, b) => (typeof a === "boolean" ? Number(a) : a) === (typeof b === "boolean" ? Number(b) : b);

/** Whether two records of one thing cannot both be true. One that says less does not contradict. */
export function contradict(a, b) {
  if (a.state !== b.state || (a.stand_in ?? null) !== (b.stand_in ?? null)) return true;
  if ((a.count ?? null) !== null && (b.count ?? null) !== null && a.count !== b.count) return true;
  const other = b.answers ?? {};
  return Object.entries(a.answers ?? {}).some(([question, answer]) =>
    Object.hasOwn(other, question) && !same(other[question], answer));
}

/** What is known of one requirement for one subject: the best record, all answers, and whether records disagree. */
export function holding(records) {
  const disagree = records.some((a, i) => records.slice(i + 1).some((b) => contradict(a, b)));
  let best = null;
  for (const record of disagree ? [] : records) {
    const better = best === null ? 1 : rung(worth(record)) - rung(worth(best))
      || GUIDES.includes(record.writer.role) - GUIDES.includes(best.writer.role);
    if (better > 0) best = record;
  }
  return { records, disagree, record: best, answers: Object.assign({}, ...records.map((r) => r.answers ?? {})) };
}

export function applies(requirement, subject) {
  if (requirement.scope !== subject.scope) return false;
  return !requirement.roles?.length || requirement.roles.includes(subject.role);
}

/** How many are asked of a subject; NaN for an amount that depends on the weather. */
export function needed(requirement, subject) {
  if (requirement.computed) return NaN;
  const people = subject.people ?? 1;
  const lots = {
    "person": people,
    "rope": Math.max(subject.ropes ?? 0, 1),
    "rope-end": 2,
    "party": 1,
    "guide": subject.guides ?? 0,
    "people": Math.ceil(people / (requirement.people || 1)),
  }[requirement.per];
  return requirement.count * lots;
}

/** All findings, by "subject.requirement". stands: Map from that key to the records that stand. */
export function evaluate(taken, stands) {
  const findings = new Map();
  for (const subject of taken.subjects) {
    for (const requirement of taken.requirements) {
      if (!applies(requirement, subject)) continue;
      const key = subject.id + "." + requirement.id;
      const found = findingOf(taken, subject, requirement, stands.get(key) ?? []);
      if (found) findings.set(key, found);
    }
  }
  return findings;
}

/** The finding about one requirement of one subject; null when nothing is amiss. */
export function findingOf(taken, subject, requirement, records) {
  if (requirement.optional) return null;
  const held = holding(records);
  const failing = [presence(taken, subject, requirement, held), ...answersAmiss(taken, requirement, held)]
    .filter((failed) => failed !== null && failed.where.length > 0)
    .sort((a, b) => BADNESS.indexOf(a.kind) - BADNESS.indexOf(b.kind) || a.place - b.place);
  if (failing.length === 0) return null;
  const worst = failing[0];
  const own = worst.kind === "unfit" ? worst.grades ?? [] : [];
  const rule = inForce(own.length ? own : requirement.grades ?? [], worst.where);
  if (rule === undefined) return null;
  const hold = taken.holds[rule.hold];
  return {
    id: subject.id + "." + requirement.id,
    subject: subject.id,
    requirement: requirement.id,
    kind: worst.kind,
    known_gap: KNOWN_GAPS.includes(worst.kind),
    ...graded(taken, rule),
    hold: hold.kind,
    hold_name: hold.name,
    also: (rule.also ?? []).filter((extra) => meet(extra.stages, worst.where)).map((extra) => ({
      ...graded(taken, extra), hold: taken.holds[extra.hold].kind, hold_name: taken.holds[extra.hold].name })),
    stage: taken.stages[worst.where[0]].id,
    says: worst.says,
    title: `${subject.name}: ${requirement.item} – ${worst.says}`,
    reasons: eachQuestionOnce(failing),
  };
}

const meet = (a, b) => a.some((stage) => b.includes(stage));
const inForce = (rules, where) => rules.find((rule) => meet(rule.stages, where));
const graded = (taken, rule) =>
  ({ grade: rule.grade === "fix" && taken.holds[rule.hold].passed ? "stop" : rule.grade });

function eachQuestionOnce(failing) {
  const asked = new Set();
  return failing.filter(({ question }) => !question || (!asked.has(question) && asked.add(question)))
    .map(({ kind, says, question, answer, asked_words }) =>
      ({ kind, says, question: question ?? null, answer: answer ?? null, asked: asked_words ?? null }));
}

// -- is it there, often enough, and known well enough?

function presence(taken, subject, requirement, held) {
  const gap = (kind, says, more = {}) => ({ kind, says, where: requirement.asked, place: 0, ...more });
  if (held.records.length === 0) return gap("unknown", "not sighted by anyone");
  const record = held.record;
  if (record === null) return gap("disagree", bothSides(held.records));
  if (record.state === "absent") return gap("absent", record.remark || "not there");
  if (record.state === "unfit") return gap("unfit", record.remark || "there, but not fit for this trip");
  const { name, role } = record.writer;
  if (rung(worth(record)) < rung(requirement.takes)) {
    const told = role === "climber" ? " by the climber" : "";
    return gap("unseen", `only ${record.known}${told}, must be ${requirement.takes}`);
  }
  if (requirement.life_safety && !GUIDES.includes(role)) {
    return gap("unseen", `tried by ${name}, who is no guide on this trip; a guide must try it`);
  }
  const count = record.count ?? null;
  if (requirement.computed) return amount(taken, requirement, count, gap) ?? standIn(requirement, record, gap, count);
  const asked = needed(requirement, subject);
  if (count !== null && count < asked) {
    const words = { answer: plain(count), asked_words: plain(asked) };
    return gap("short", `${words.answer} there, ${words.asked_words} asked`, words);
  }
  return standIn(requirement, record, gap, null);
}

function bothSides(records) {
  const sides = records.map((record) =>
    `${record.writer.name}: ${record.known}, ${record.state}` + (record.remark ? ` (${record.remark})` : ""));
  return "two records that did not know of each other: " + sides.join("; ");
}

function amount(taken, requirement, count, gap) {
  if (count === null) return gap("unanswered", "how much there is has not been said");
  const computed = taken.amounts?.[requirement.computed];
  if (!computed) return gap("unanswered", "how much is needed cannot be worked out without a forecast");
  if ((computed.base ?? Infinity) <= count) return null;
  const [there, worst] = [fixed(count, 0), fixed(computed.worst, 0)];
  const unit = requirement.unit ?? "";
  const short = fixed(computed.worst - count, 0);
  return gap("short", `${there} ${unit} there, ${worst} ${unit} needed: ${short} ${unit} short`,
    { answer: `${there} ${unit}`, asked_words: `${worst} ${unit}` });
}

/** A stand-in counts only where its own condition is certain to hold. */
function standIn(requirement, record, gap, counted) {
  const id = record.stand_in ?? null;
  if (id === null || counted !== null) return null;
  const found = (requirement.stands_in ?? []).find((one) => one.id === id);
  if (!found) return gap("unfit", `${id} does not stand in for this`);
  const where = requirement.asked.filter((stage) => !found.stages.includes(stage));
  return gap("unfit", `${found.item} stands in for it only in other conditions`, { where });
}

// -- is it fit? Only a thing that is there can be asked about.

function answersAmiss(taken, requirement, held) {
  const record = held.record;
  if (record === null || record.state === "absent" || (record.stand_in ?? null) !== null) return [];
  const found = [];
  let place = 0;
  for (const question of requirement.questions ?? []) {
    const given = held.answers[question.id];
    for (const limit of question.limits ?? []) {
      place += 1;
      const gap = given === undefined ? unanswered(question, record, limit) : amiss(question, limit, given);
      if (gap) found.push({ where: limit.asked, grades: limit.grades, question: question.id, place, ...gap });
    }
  }
  return found;
}

function unanswered(question, record, limit) {
  const open = rung(worth(record)) >= rung(question.needs) && record.state === "fits";
  return open ? { kind: "unanswered", says: `not answered: ${question.ask}`, where: limit.asked } : null;
}

function amiss(question, limit, given) {
  if (limit.kind === "above" || limit.kind === "under") return againstWeather(question, limit, given);
  if (meets(limit, given)) return null;
  return { kind: "unfit", says: limit.says, answer: inWords(question, given), asked_words: limit.asked_words };
}

export function meets(limit, given) {
  switch (limit.kind) {
    case "want": return given === limit.value;
    case "one-of": return limit.value.includes(given);
    case "at-least": return typeof given === "number" && given >= limit.value;
    case "at-most": return typeof given === "number" && given <= limit.value;
    default: return isDay(given) && given.replace(COMPACT, "$1-$2-$3") >= limit.value;
  }
}

const COMPACT = /^(\d{4})(\d{2})(\d{2})$/;

function isDay(given) {
  const text = String(given).replace(COMPACT, "$1-$2-$3");
  if (typeof given !== "string" || !/^\d{4}-\d{2}-\d{2}$/.test(text) || text < "0001") return false;
  const day = new Date(text + "T00:00:00Z");
  return !Number.isNaN(day.getTime()) && day.toISOString().startsWith(text);
}

function againstWeather(question, limit, given) {
  const value = typeof given === "number" ? given : NaN;
  const under = limit.kind === "under";
  const crossed = (bound) => bound !== null && bound !== undefined && (under ? value > bound : value < bound);
  const answer = inWords(question, value);
  const known = limit.asked.filter((stage) => crossed(limit.bounds[stage]));
  if (known.length) {
    const bounds = known.map((stage) => limit.bounds[stage]);
    const extreme = under ? Math.min(...bounds) : Math.max(...bounds);
    const asked_words = `${under ? "at most" : "at least"} ${fixed(extreme, 1)} ${limit.unit}`;
    return { kind: "unfit", says: limit.says, answer, asked_words, where: known };
  }
  const where = limit.asked.filter((stage) => Number.isNaN(value) || (limit.open ?? []).includes(stage));
  return { kind: "unanswered", says: `cannot be judged: ${limit.title} is not known`, answer, where };
}

/** An answer as people read it. */
export function inWords(question, given) {
  if (typeof given === "boolean") return given ? "yes" : "no";
  if (question.kind === "choice") return (question.choices ?? []).find(([id]) => id === given)?.[1] ?? written(given);
  if (typeof given !== "number") return String(given);
  if (Number.isNaN(given)) return "nan" + unitOf(question);
  return plain(given) + unitOf(question);
}

const written = (given) => (Number.isInteger(given) ? given.toFixed(1) : String(given));

const unitOf = (question) => (question.unit && question.unit !== "1" ? ` ${question.unit}` : "");

// -- numbers, exactly as the service writes them -------------------------------------------------------------

/** A number with so many decimals; a tie goes to the even digit. */
export function fixed(value, digits) {
  if (value < 0) return "-" + fixed(-value, digits);
  const scale = 2 ** (digits + 1); // only odd multiples of 1 / scale can lie in the middle
  const tie = Number.isInteger(value * scale) && !Number.isInteger((value * scale) / 2);
  if (!tie) return value.toFixed(digits);
  const low = Math.floor(value * 10 ** digits);
  return ((low % 2 === 0 ? low : low + 1) / 10 ** digits).toFixed(digits);
}

/** A number with at most six digits, without trailing noughts; very large and very small ones with an exponent. */
export function plain(value) {
  if (value === 0) return Object.is(value, -0) ? "-0" : "0";
  const [digits, exponent] = value.toExponential(5).split("e");
  const power = Number(exponent);
  if (power >= -4 && power < 6) return trimmed(fixed(value, 5 - power));
  return `${trimmed(digits)}e${power < 0 ? "-" : "+"}${String(Math.abs(power)).padStart(2, "0")}`;
}

const trimmed = (text) => (text.includes(".") ? text.replace(/\.?0+$/, "") : text);
