// The hands-on check on a phone: takes over the page that the service sent, and goes on without a network.

import { Model } from "./model.js";
import * as outbox from "./outbox.js";
import { hashOf, shrunk } from "./photo.js";
import { TAPS, countOpen, look, openQuestions, told } from "./picture.js";
import { Sync } from "./sync.js";
import { call, carried, of, ofFront, ofList, start } from "./views.js";

const SECOND_TAP_MS = 250; // a bouncing finger must not answer for the next thing
const LIST_LATER_MS = 100;
const PAGES = "rimaye-check-pages";
const root = document.getElementById("check");
const line = document.getElementById("carried");
const trip = root.dataset.trip;
const base = `/trips/${trip}/hands-on`;
let model = null;
let sync = null;
let renderedAt = 0;
let shownItem = null;
let listing = 0;

async function begin() {
  sync = new Sync(trip, { taken, own, elsewhere: refresh, stands: say });
  model = new Model(trip, () => sync.now());
  const [device] = await Promise.all([outbox.meta("device"), sync.recall(), model.load()]);
  model.device = device ?? outbox.deviceName();
  if (!device) outbox.keepMeta("device", model.device);
  document.addEventListener("submit", submitted);
  document.addEventListener("click", clicked);
  document.addEventListener("change", ({ target }) => { if (target.id === "photo") target.form.requestSubmit(); });
  window.addEventListener("popstate", show);
  show();
  setInterval(say, 30000);
  await sync.begin();
  await keepPage();
}

/** The worker, and the page itself, so that one visit is enough. */
async function keepPage() {
  if (!("serviceWorker" in navigator)) return;
  await navigator.serviceWorker.register("/sw.js");
  await navigator.serviceWorker.ready;
  const pages = await caches.open(PAGES);
  if (!(await pages.match(base))) await pages.add(base);
  root.dataset.kept = "true";
}

// -- showing -------------------------------------------------------------------------------------------------

async function refresh() {
  await model.load();
  show();
}

async function taken(answer) {
  await model.goBy(answer);
  show();
}

async function own() {
  if (model.ready) await model.lookAtOwn();
  say();
}

function show() {
  if (!model.ready) return;
  if (asSent()) {
    ready();
    setTimeout(() => model.workOut());
  } else if (!busyTyping()) render();
  root.dataset.revision = model.taken.seq;
  say();
}

/** Whether the service has just sent this very view: on the first visit there is nothing to add to it. */
const asSent = () => !root.dataset.ready && !navigator.serviceWorker?.controller && model.own.length === 0
  && Number(root.dataset.revision) === model.taken.seq && root.dataset.at === location.pathname + location.search;

function ready() {
  if (!root.dataset.ready) performance.mark("check ready");
  root.dataset.ready = "true";
}

const busyTyping = () => document.activeElement?.id === "remark";

function render() {
  model.workOut();
  const { pathname, search } = location;
  const asked = Object.fromEntries(new URLSearchParams(search));
  const [, view, id] = /^\/(of|call)\/([^/]+)$/.exec(pathname.slice(base.length)) ?? [];
  const focused = document.activeElement?.closest?.("#check .slot");
  const focus = focused && [focused.getAttribute("name"), focused.value ?? focused.textContent];
  const scrolled = window.scrollY;
  clearTimeout(listing);
  if (view === "of" && model.subject(id)) {
    const front = root.querySelector(`.front[data-of="${id}"]`);
    if (front) {
      // The long list below can follow when the tap is on screen.
      front.innerHTML = ofFront(model, id, asked);
      listing = setTimeout(list, LIST_LATER_MS, id, asked);
    } else root.innerHTML = of(model, id, asked);
  } else if (view === "call" && model.group(id)) root.innerHTML = call(model, id, asked);
  else root.innerHTML = start(model);
  ready();
  window.scrollTo(0, scrolled);
  const again = focus && [...root.querySelectorAll(".slot")].find((slot) =>
    slot.getAttribute("name") === focus[0] && (slot.value ?? slot.textContent) === focus[1]);
  again?.focus({ preventScroll: true });
  const item = pathname + (root.querySelector("input[name=item]")?.value ?? "") + (root.querySelector("#question")?.textContent ?? "");
  if (item !== shownItem) renderedAt = performance.now();
  shownItem = item;
}

function list(id, asked) {
  const all = root.querySelector(".all");
  const opened = all.querySelector("details")?.open;
  all.innerHTML = ofList(model, id, asked);
  if (opened && all.querySelector("details")) all.querySelector("details").open = true;
}

function say() {
  if (!model.ready) return;
  const { state, text, link } = carried(model, sync);
  line.hidden = false;
  if (line.dataset.state === state && line.dataset.text === text) return;
  Object.assign(line.dataset, { state, text });
  line.textContent = text;
  if (link) {
    const way = document.createElement("a");
    [way.href, way.textContent] = link;
    line.append(way);
  }
}

function go(address, { replace = false } = {}) {
  const scrolled = new URL(address, location.href).pathname === location.pathname;
  history[replace ? "replaceState" : "pushState"](null, "", address);
  render();
  if (!scrolled || location.hash === "") window.scrollTo(0, 0);
}

// -- tapping -------------------------------------------------------------------------------------------------

function clicked(event) {
  const link = event.target.closest?.("a[href]");
  if (!link || !model.ready || event.defaultPrevented || event.button !== 0) return;
  if (event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  const to = new URL(link.href);
  const inside = to.origin === location.origin && (to.pathname === base || to.pathname.startsWith(base + "/"));
  if (!inside || (to.hash && to.pathname === location.pathname)) return;
  event.preventDefault();
  go(to.pathname + to.search, { replace: link.classList.contains("step") });
}

async function submitted(event) {
  const form = event.target;
  const path = new URL(form.action).pathname;
  if (!model.ready || !path.startsWith(base + "/")) return;
  event.preventDefault();
  if (performance.now() - renderedAt < SECOND_TAP_MS) return;
  model.workOut();
  const sent = new FormData(form, event.submitter);
  event.submitter?.classList.add("pressed");
  try {
    await act(path.slice(base.length + 1).split("/"), sent);
  } catch (failed) {
    line.hidden = false;
    line.dataset.state = "trouble";
    line.textContent = `This phone could not keep the record (${failed.message}). It is not saved: write it down, and make room on the phone.`;
    render();
    return;
  }
  sync.soon();
  say();
}

async function act([view, id], sent) {
  const does = sent.get("do");
  if (view === "undo") return takenBack(sent.get("group"));
  if (view === "put-away") return (sent.has("photo") ? model.putPhotoAway(sent.get("photo")) : model.putAway(Number(sent.get("n")))).then(render);
  if (view === "photo") return photographed(model.one(id, sent.get("item")), sent.get("photo"));
  if (view === "call") return calledOut(id, sent.get("item"), does);
  return answered(model.one(id, sent.get("item")), does, sent);
}

async function answered(thing, does, sent) {
  const { subject, requirement, records } = thing;
  const writer = model.taken.reader.id;
  const detail = (details) => told(subject.id, requirement.id, records, writer, details);
  const [what, ...rest] = does.split(":");
  const value = rest.join(":");
  let written;
  if (what in TAPS) written = look(subject.id, requirement.id, records, ...TAPS[what]);
  else if (what === "answer") written = detail({ answers: { [sent.get("question")]: answer(requirement, sent.get("question"), value) } });
  else if (what === "count") written = detail({ count: Number(value) });
  else if (what === "stand-in") written = detail({ stand_in: value });
  else written = detail({ remark: sent.get("remark").trim() });
  if (written === null) return go(`${base}/of/${subject.id}?item=${requirement.id}`);
  const kept = model.write([written]);
  const after = model.one(subject.id, requirement.id);
  const here = `${base}/of/${subject.id}`;
  if (written.body.state === "fits" && (openQuestions(after.finding, requirement).length || countOpen(after.finding, after.records))) {
    go(`${here}?item=${requirement.id}&ask=on`);
    return kept;
  }
  const next = model.nextAfter(subject.id, requirement.id);
  go(next ? `${here}?item=${next.requirement.id}` : here);
  return kept;
}

async function photographed({ subject, requirement }, file) {
  const more = `${base}/of/${subject.id}?item=${requirement.id}&more=1`;
  if (!file?.size) return go(more, { replace: true });
  const bytes = await (await shrunk(file)).arrayBuffer();
  const photo = await hashOf(bytes);
  const { records } = model.one(subject.id, requirement.id); // as they are now; making it smaller takes a moment
  const written = told(subject.id, requirement.id, records, model.taken.reader.id, { photo });
  if (written === null) return go(more, { replace: true });
  const kept = model.write([written], { hash: photo, bytes });
  go(`${base}/of/${subject.id}?item=${requirement.id}`);
  return kept;
}

function answer(requirement, questionId, given) {
  const { kind } = requirement.questions.find((question) => question.id === questionId);
  if (kind === "yes-no") return given === "yes";
  return kind === "number" ? Number(given) : given;
}

async function calledOut(group, item, does) {
  const [what, subject] = does === "rest" ? ["seen", null] : does.split(":");
  const things = model.called(group, item).filter((thing) =>
    (does === "rest" ? thing.records.length === 0 : thing.subject.id === subject));
  const kept = model.write(things.map((thing) => look(thing.subject.id, item, thing.records, ...TAPS[what])));
  go(`${base}/call/${group}?item=${item}`, { replace: true });
  return kept;
}

async function takenBack(group) {
  const last = model.lastOwn();
  if (last === null) return render();
  const kept = model.undo(last);
  go(group ? `${base}/call/${group}?item=${last.requirement}` : `${base}/of/${last.subject}?item=${last.requirement}`);
  return kept;
}

begin();
