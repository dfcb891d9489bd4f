// The views of the check, the same as web/templates/hands-on/*.html, made on the phone.

import { plain, rung } from "./evaluator.js";
import { countOpen, openQuestions } from "./picture.js";
import {
  GRADES, KINDS, KNOWN, STATES, beginDay, beginNumber, count, daySteps, duration, html, monthInWords, numberSteps, when,
} from "./saying.js";

const at = (model, epochMs) => when(epochMs, model.taken.time_zone, model.now());
const base = (model) => `/trips/${model.trip}/hands-on`;

// -- everyone ------------------------------------------------------------------------------------------------

export function start(model) {
  const { taken } = model;
  const roped = taken.ropes.flatMap((rope) => rope.members);
  const loose = taken.subjects.filter((subject) => subject.scope === "person" && !roped.includes(subject.id));
  const teams = taken.ropes.map((rope) => [rope.name, [...rope.members, rope.id]]);
  if (loose.length) teams.push(["Not on a rope", loose.map((subject) => subject.id)]);
  return html`
    <h1>Hands-on check</h1>
    ${taken.requirements.length > 0 && byForecast(model)}
    ${refused(model)}
    ${taken.requirements.length === 0 && html`<p>The trip has no kit list yet, so nothing is asked.</p>`}
    ${teams.map(([name, ids]) => html`<section class="team"><h2>${name}</h2><ul>${ids.map((id) => person(model, id))}</ul></section>`)}
    ${taken.requirements.length > 0 && html`
    <section class="team"><h2>Together</h2><ul>${person(model, "party")}</ul></section>
    <section class="team"><h2>Call out, one thing across everyone</h2><ul>
      ${[...taken.ropes, { id: "party", name: "The party" }].map((rope) =>
        html`<li><a class="to-check" href="${base(model)}/call/${rope.id}"><span class="who">${rope.name}</span></a></li>`)}
    </ul></section>
    <p>How ropes are made up, nights and the forecast itself are judged on the board, not here.</p>`}`;
}

function byForecast(model) {
  const { forecast } = model.taken;
  const issued = forecast && Date.parse(forecast.issued_at);
  const asked = forecast
    ? `Asked by the forecast ${forecast.label}, issued ${at(model, issued)}, ${duration(Math.max(model.now() - issued, 0) / 1000)} old.`
    : "No forecast has been received; what depends on the weather counts as asked.";
  return html`<p class="by-forecast">${asked}</p>`;
}

function refused(model) {
  if (model.refused.length + model.photosRefused.length === 0) return null;
  const line = (what, problem, name, value) => html`<li>${what}. ${problem}
    <form method="post" action="${base(model)}/put-away"><input type="hidden" name="${name}" value="${value}"><button class="slot" name="do" value="put-away">Put it away</button></form></li>`;
  return html`<section class="wrongs"><h2>Not taken by the service</h2><ul>
    ${model.refused.map(({ n, entry, problem }) => line(entry.body.subject ? named(model, entry.body) : "A record taken back", problem, "n", n))}
    ${model.photosRefused.map((photo) => line(`Photo of ${named(model, photo)}`, photo.problem, "photo", photo.hash))}</ul></section>`;
}

const named = (model, { subject, requirement }) =>
  `${model.subject(subject)?.name ?? subject}: ${model.requirement(requirement)?.item ?? requirement}`;

function person(model, id) {
  const far = model.progress(id);
  return html`<li><a class="to-check${far.left ? "" : far.gaps ? " done gaps" : " done"}" href="${base(model)}/of/${id}"><span class="who">${far.subject.name}</span><span class="far">${howFar(far)}</span><span class="by">${whom(model, far)}</span></a></li>`;
}

function howFar(far) {
  const looked = far.things === 0 ? "nothing asked"
    : far.left ? `${far.left} of ${far.things} to look at` : `all ${far.things} looked at`;
  return looked + (far.gaps ? `, ${count(far.gaps, "gap")}` : "");
}

function whom(model, far) {
  const who = far.nowWith ? `with ${far.nowWith} now`
    : far.last.at !== null ? `last ${far.last.by}, ${at(model, far.last.at)}` : "not begun";
  return who + (far.spent >= 60 ? `; ${duration(far.spent)}` : "");
}

// -- one thing of someone ------------------------------------------------------------------------------------

/** asked: {item, ask, value, more}, as the address has them. */
export const of = (model, subjectId, asked) => html`
  <div class="front" data-of="${subjectId}">${ofFront(model, subjectId, asked)}</div>
  <div class="all" id="all">${ofList(model, subjectId, asked)}</div>`;

const chosen = (model, subjectId, asked) =>
  (asked.item ? model.one(subjectId, asked.item) : model.nextAfter(subjectId, null));

/** The thing and its buttons. */
export function ofFront(model, subjectId, asked) {
  const far = model.progress(subjectId);
  const thing = chosen(model, subjectId, asked);
  return html`
    <section class="card" aria-labelledby="of" tabindex="0">
      <h1 id="of">${far.subject.name} <span class="far">${howFar(far)}</span></h1>
      ${thing ? card(model, thing) : html`<div class="thing"><h2>Everything has been looked at</h2><p class="clears">What is open now needs gear, not another look. It stands below.</p></div>`}
    </section>
    ${pad(model, subjectId, thing, thing && stageOf(thing, asked))}`;
}

/** Everything on the list of someone. */
export function ofList(model, subjectId, asked) {
  const thing = chosen(model, subjectId, asked);
  const rest = model.things(subjectId).filter((one) => !one.asked);
  return html`
    ${model.stations(subjectId).map(([title, things]) => html`<h2>${title}</h2><ul>${things.map((one) => listed(one, thing))}</ul>`)}
    ${rest.length > 0 && html`<details><summary>Not asked on this trip as forecast, or optional: ${rest.length}</summary><ul>${rest.map((one) => html`<li><a class="to-check" href="?item=${one.requirement.id}"><span class="who">${one.requirement.item}</span></a></li>`)}</ul></details>`}`;
}

/** What somebody has done about it. */
function done(model, flag) {
  if (flag?.state === "accepted") return html`<p class="says">Accepted by ${flag.by}.</p>`;
  return flag && html`<p class="says">${flag.by} sees to it until ${at(model, Date.parse(flag.until))}.</p>`;
}

function card(model, { requirement, records, held, finding, gap, needed, flag }) {
  return html`<div class="thing">
    <h2>${requirement.item}${needed > 1 && html` <span class="times">${plain(needed)} asked</span>`}</h2>
    ${requirement.takes === "tried" && html`<p class="try">Counts only when tried.</p>`}
    ${gap && html`<p class="says ${finding.grade}">${GRADES[finding.grade]} before ${finding.hold_name}: ${finding.reasons[0].says}</p>`}
    ${gap && done(model, flag)}
    ${held.disagree && html`<p class="says stop">Two guides disagree. Look again; what you say settles it.</p>`}
    <ul class="known">${records.map((record) => known(model, record))}${records.length === 0 && html`<li>Nobody has looked at it yet.</li>`}</ul>
    <p class="clears">${requirement.clears}</p>
  </div>`;
}

function known(model, record) {
  const odd = { ahead: " (that phone’s clock was ahead)", behind: " (long before it arrived; check that phone’s clock)" };
  return html`<li>${KNOWN[record.known]}, ${STATES[record.state]}${record.remark && html`: <q>${record.remark}</q>`}${record.photo && ", with a photo"} – ${record.writer.name}, ${at(model, Date.parse(record.at))}${odd[record.odd]}${record.only_here && html`, <span class="only-here">only on this phone</span>`}</li>`;
}

function listed(one, current) {
  const here = current && one.requirement.id === current.requirement.id;
  return html`<li><a class="to-check${one.left ? "" : " done"}" href="?item=${one.requirement.id}"${here && html` aria-current="true"`}><span class="who">${one.requirement.item}</span>${state(one)}</a></li>`;
}

function state({ finding, held, requirement, flag }) {
  if (finding?.known_gap) return html`<span class="state ${finding.grade}">${GRADES[finding.grade]}: ${KINDS[finding.kind]}${flag && `, ${flag.state}`}</span>`;
  if (finding) return html`<span class="state unknown">${inShort(finding, requirement)}</span>`;
  if (held.record) return html`<span class="state clear">${KNOWN[held.record.known]}, ${held.record.writer.name}</span>`;
  return html`<span class="state unknown">not looked at</span>`;
}

function inShort(finding, requirement) {
  return { unknown: "not looked at", unseen: requirement.takes === "tried" ? "to be tried" : "to be seen",
    disagree: "guides disagree" }[finding.kind] ?? "a question is open";
}

// -- the pad -------------------------------------------------------------------------------------------------

/** What the buttons are for at this moment. */
export function stageOf(thing, { ask, value, more }) {
  if (more) return { mode: "more" };
  const { finding, requirement, records, held } = thing;
  const onlyAsked = held.record !== null && thing.left && finding.kind === "unanswered";
  if (!ask && !onlyAsked) return { mode: "look" };
  const open = openQuestions(finding, requirement);
  if (ask === "count" || ((!ask || ask === "on") && open.length === 0 && countOpen(finding, records))) {
    const begin = held.record?.count ?? (Number.isNaN(thing.needed) ? 0 : thing.needed);
    return { mode: "count", value: value ? Number(value) : begin, unit: requirement.unit };
  }
  const question = (requirement.questions ?? []).find((one) => one.id === ask) ?? open[0];
  if (!question) return { mode: "look" };
  const answered = held.answers[question.id];
  if (question.kind === "number") {
    return { mode: "number", question, unit: question.unit, value: value ? Number(value) : beginNumber(question, answered) };
  }
  if (question.kind === "date") return { mode: "date", question, value: value || beginDay(question, answered) };
  return { mode: question.kind, question };
}

function pad(model, subjectId, thing, stage) {
  const later = thing && model.nextAfter(subjectId, thing.requirement.id);
  const buttons = { look, "yes-no": yesNo, choice, number: stepper, date: stepper, count: stepper, more };
  return html`<div class="pad">
    ${thing && model.mayRecord && stage.mode === "more" && photoOf(model, thing)}
    ${thing && model.mayRecord && html`<form class="answers ${stage.mode}" method="post" action="${base(model)}/of/${subjectId}">
      <input type="hidden" name="item" value="${thing.requirement.id}">
      ${stage.question && html`<input type="hidden" name="question" value="${stage.question.id}"><p class="question" id="question">${stage.question.ask}</p>`}
      ${buttons[stage.mode](thing, stage)}
    </form>`}
    ${thing && !model.mayRecord && html`<p class="question">Guides of this trip record what they see here.</p>`}
    <div class="foot-row">
      ${undo(model, "")}
      ${later ? html`<a class="slot" href="?item=${later.requirement.id}">Later</a>` : html`<a class="slot" href="${base(model)}">Everyone</a>`}
      ${thing && model.mayRecord && stage.mode !== "more" ? html`<a class="slot" href="?item=${thing.requirement.id}&more=1">More</a>` : html`<a class="slot" href="#all">List</a>`}
    </div>
  </div>`;
}

const undo = (model, group) => model.mayRecord && html`<form method="post" action="${base(model)}/undo">${group && html`<input type="hidden" name="group" value="${group}">`}<button class="slot" name="do" value="undo"${model.lastOwn() === null && html` disabled`}>Undo</button></form>`;

const look = ({ requirement }) => html`
  <button class="slot big seen" name="do" value="seen">Seen and fine</button>
  <button class="slot tried${rung(requirement.takes) === rung("tried") ? " asked-for" : ""}" name="do" value="tried">Tried and fine</button>
  <button class="slot unfit" name="do" value="unfit">Unfit</button>
  <button class="slot absent" name="do" value="absent">Absent</button>`;

const yesNo = () => html`
  <button class="slot half" name="do" value="answer:yes">Yes</button>
  <button class="slot half" name="do" value="answer:no">No</button>`;

const choice = (thing, { question }) => question.choices.map(([id, label]) =>
  html`<button class="slot whole" name="do" value="answer:${id}">${label}</button>`);

function stepper({ requirement }, { mode, question, value, unit }) {
  const day = mode === "date";
  const steps = day ? daySteps(value) : numberSteps(value, unit);
  const shown = day ? monthInWords(value) : plain(value) + (question && unit && unit !== "1" ? ` ${unit}` : "");
  return html`
    ${mode === "count" && html`<p class="question">How much is there${unit && `, in ${unit}`}?</p>`}
    <p class="value"><output>${shown}</output></p>
    ${steps.map(([label, next]) => html`<a class="slot step" href="?item=${requirement.id}&ask=${question?.id ?? "count"}&value=${encodeURIComponent(next)}">${label}</a>`)}
    <button class="slot whole" name="do" value="${mode === "count" ? "count" : "answer"}:${day ? value : plain(value)}">That is it</button>`;
}

const more = ({ requirement, held }) => html`
  ${(requirement.stands_in ?? []).map((one) => html`<button class="slot whole" name="do" value="stand-in:${one.id}">${one.item} stands in</button>`)}
  <a class="slot whole" href="?item=${requirement.id}&ask=count">How many are there</a>
  ${(requirement.questions ?? []).map((question) => html`<a class="slot whole" href="?item=${requirement.id}&ask=${question.id}">${question.ask}</a>`)}
  <label class="remark" for="remark">Remark, if one is needed</label>
  <textarea id="remark" name="remark" rows="2" maxlength="4000">${held.record?.remark ?? ""}</textarea>
  <button class="slot whole" name="do" value="remark">Keep the remark</button>`;

/** A form of its own, because it carries a file. Once chosen, the photo is kept without another tap. */
const photoOf = (model, { subject, requirement, held }) => html`
  <form class="answers photo" method="post" enctype="multipart/form-data" action="${base(model)}/photo/${subject.id}">
    <input type="hidden" name="item" value="${requirement.id}">
    ${held.record === null ? html`<p class="remark">Say first how it is; then a photo can be added.</p>` : html`
    <label class="slot half" for="photo">Take a photo</label>
    <input class="only-read" type="file" id="photo" name="photo" accept="image/*" capture="environment">
    <button class="slot half" name="do" value="photo">Keep the photo</button>`}
    ${held.record?.photo && html`<a class="slot whole" href="/api/trips/${model.trip}/photos/${held.record.photo}">See the photo</a>`}
  </form>`;

// -- calling out ---------------------------------------------------------------------------------------------

export function call(model, group, { item }) {
  const items = model.itemsOf(group);
  const ids = items.map((requirement) => requirement.id);
  const shown = ids.includes(item) ? item : ids.find((id) => model.called(group, id).some((thing) => thing.left)) ?? ids[0];
  const place = ids.indexOf(shown);
  const name = group === "party" ? "The party" : model.subject(group).name;
  const off = !model.mayRecord && html` disabled`;
  if (place < 0) return html`<section class="card short"><h1>${name} <span class="far">nothing asked</span></h1></section>`;
  const row = (thing) => html`<li>
    <button class="slot name" name="do" value="seen:${thing.subject.id}"${off}><span class="who">${thing.subject.name}</span> ${state(thing)}<span class="only-read">: seen and fine</span></button>
    ${["tried", "unfit", "absent"].map((does) => html`<button class="slot small" name="do" value="${does}:${thing.subject.id}"${off}>${does}<span class="only-read">: ${thing.subject.name}</span></button>`)}</li>`;
  return html`
    <section class="card short" aria-labelledby="of">
      <h1 id="of">${name} <span class="far">${place + 1} of ${ids.length}</span></h1>
      <div class="thing"><h2>${items[place].item}</h2></div>
    </section>
    <form class="roll" method="post" action="${base(model)}/call/${group}">
      <input type="hidden" name="item" value="${shown}">
      <ul>${model.called(group, shown).map(row)}</ul>
      ${model.mayRecord && html`<button class="slot whole rest" name="do" value="rest">All the rest: seen and fine</button>`}
    </form>
    <div class="foot-row">
      ${undo(model, group)}
      ${place > 0 ? html`<a class="slot" href="?item=${ids[place - 1]}">Before</a>` : html`<a class="slot" href="${base(model)}">Everyone</a>`}
      ${place + 1 < ids.length ? html`<a class="slot next" href="?item=${ids[place + 1]}">Next thing</a>` : html`<a class="slot" href="${base(model)}">Done</a>`}
    </div>`;
}

// -- what is only on this phone ------------------------------------------------------------------------------

/** {state, text, link} of the line at the head of the screen. */
export function carried(model, sync) {
  const here = [...model.waiting, ...model.photosWaiting];
  const waiting = here.length;
  const parts = [[model.waiting, "record"], [model.photosWaiting, "photo"]].filter(([kept]) => kept.length);
  const since = waiting ? at(model, Math.min(...here.map((kept) => kept.since))) : "";
  const only = `${parts.map(([kept, what]) => count(kept.length, what)).join(" and ")} only on this phone, since ${since}`;
  const strangers = model.strangers;
  const refused = model.refused.length ? count(model.refused.length, "record") : model.photosRefused.length && count(model.photosRefused.length, "photo");
  if (refused) return { state: "trouble", text: `${refused} not taken by the service; see Everyone.${waiting ? ` ${only}.` : ""}` };
  if (sync.state === "sign-in") return { state: "trouble", text: `Signed out.${waiting ? ` ${only}.` : ""} `, link: ["/sign-in", "Sign in"] };
  if (sync.state === "trouble") return { state: "trouble", text: `${sync.problem}${waiting ? ` ${only}.` : ""}` };
  if (strangers.length) return { state: "waiting", text: `${only}; ${strangers.length} of ${strangers[0].entry.actor.name} wait until they sign in.` };
  if (waiting) return { state: "waiting", text: `${only}${sync.state === "no-signal" ? ". No signal." : "."}` };
  if (sync.state === "no-signal") return { state: "waiting", text: "No signal. Nothing is only on this phone." };
  const arrived = sync.arrivedAt ? `, last at ${at(model, sync.arrivedAt)}` : "";
  return { state: "arrived", text: `Everything has arrived${arrived}.` };
}

