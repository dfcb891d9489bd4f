// How the check says things: words (as web/words.py has them), numbers and days by buttons (as api/handson/steps.py),
// and HTML from templates.

import { plain } from "./evaluator.js";

export const KNOWN = { unknown: "not known", said: "said", pictured: "pictured", seen: "seen", tried: "tried" };
export const STATES = { fits: "fits", unfit: "unfit", absent: "not there" };
export const GRADES = { stop: "Stop", fix: "Fix", advise: "Advise" };
export const KINDS = {
  absent: "not there",
  unfit: "there, but not fit for this",
  short: "too little of it",
  unknown: "not known, nobody has recorded it",
  unseen: "only heard of, not seen yet",
  unanswered: "seen, but a question about it is open",
  disagree: "two records disagree",
};
export const ZONES = {
  feet: ["feet", "technical", "light"],
  body: ["torso", "legs", "hands", "head-eyes", "sleep", "kitchen-water", "care", "papers"],
  shared: ["rope-gear", "party-gear"],
};
export const STATIONS = {
  feet: "Feet and hardware",
  body: "Body, hands, eyes, sleep",
  shared: "Rope and party gear",
};

export const count = (howMany, one, many = one + "s") => `${howMany}\u00a0${howMany === 1 ? one : many}`;

const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
const clocks = new Map();

/** A moment as the clock on the wall shows it in a time zone: {day, time}. */
function local(epochMs, zone) {
  if (!clocks.has(zone)) {
    const digits = { year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit" };
    clocks.set(zone, new Intl.DateTimeFormat("en-GB", { ...digits, hourCycle: "h23", timeZone: zone }));
  }
  const part = Object.fromEntries(clocks.get(zone).formatToParts(epochMs).map(({ type, value }) => [type, value]));
  const weekday = DAYS[new Date(Date.UTC(part.year, part.month - 1, part.day)).getUTCDay()];
  const month = MONTHS[part.month - 1].slice(0, 3);
  return { day: `${weekday}\u00a0${Number(part.day)}\u00a0${month}`, date: `${part.year}-${part.month}-${part.day}`, time: `${part.hour}:${part.minute}` };
}

/** "14:00" in the trip's time zone; with its day when that is not today. */
export function when(epochMs, zone, now) {
  const { day, date, time } = local(epochMs, zone);
  return date === local(now, zone).date ? time : `${day}, ${time}`;
}

export function duration(seconds) {
  const minutes = Math.round(seconds / 60);
  const hours = Math.floor(minutes / 60);
  const [days, left] = [Math.floor(Math.round(minutes / 60) / 24), Math.round(minutes / 60) % 24];
  if (hours < 1) return `${minutes}\u00a0min`;
  if (hours < 48) return `${hours}\u00a0h` + (minutes % 60 ? ` ${minutes % 60}\u00a0min` : "");
  return count(days, "day") + (left ? ` ${left}\u00a0h` : "");
}

// -- numbers and days by large buttons -----------------------------------------------------------------------

const STEPS = {
  "°C": [1, 5], "%": [5, 25], "L": [0.25, 1], "mL": [50, 250], "g": [10, 100], "kg": [0.5, 5], "cm": [5, 20],
  "m": [1, 10], "mm": [1, 10], "h": [0.5, 5], "min": [1, 10], "1": [1, 5],
};
const BEGINS = { "°C": -10, "%": 100, "L": 1, "h": 10 };
const MONTHS = ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
  "November", "December"];

/** [words, value] of the four buttons around a number. */
export function numberSteps(value, unit) {
  const [small, large] = STEPS[unit || "1"] ?? [1, 10];
  return [-large, -small, small, large].map((by) => [`${by < 0 ? "−" : "+"} ${plain(Math.abs(by))}`, plain(value + by)]);
}

/** Where a number begins: at the answer there is, else at the first fixed limit. */
export function beginNumber(question, answered) {
  if (typeof answered === "number") return answered;
  const fixed = question.limits.find((limit) => limit.kind === "at-least" || limit.kind === "at-most");
  return fixed ? fixed.value : BEGINS[question.unit || "1"] ?? 0;
}

/** Where a day begins: at the answer there is, else at the month of the limit. */
export function beginDay(question, answered) {
  if (typeof answered === "string" && /^\d{4}-\d{2}-\d{2}$/.test(answered)) return answered;
  const limit = question.limits[0];
  const day = limit?.value ?? new Date().toISOString().slice(0, 10);
  return limit?.kind === "not-older" ? inMonths(day, 12) : day.slice(0, 8) + "01";
}

/** The first of the month so many months away, between the years 1990 and 2099. */
export function inMonths(day, months) {
  const [year, month] = day.split("-").map(Number);
  const place = year * 12 + month - 1 + months;
  const stays = Math.min(Math.max(Math.floor(place / 12), 1990), 2099);
  return `${stays}-${String((place % 12) + 1).padStart(2, "0")}-01`;
}

/** [words, value] of the four buttons around a day. */
export const daySteps = (day) =>
  [[-12, "− 1 year"], [-1, "− 1 month"], [1, "+ 1 month"], [12, "+ 1 year"]].map(([by, said]) => [said, inMonths(day, by)]);

export const monthInWords = (day) => `${MONTHS[Number(day.slice(5, 7)) - 1]} ${day.slice(0, 4)}`;

// -- HTML ----------------------------------------------------------------------------------------------------

class Made extends String {}

const ESCAPED = { "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;" };
const escape = (text) => String(text).replace(/[&<>"']/g, (sign) => ESCAPED[sign]);

function shown(value) {
  if (value === null || value === undefined || value === false) return "";
  if (Array.isArray(value)) return value.map(shown).join("");
  return value instanceof Made ? value.toString() : escape(value);
}

/** A piece of HTML. Lists are joined; null, undefined and false are nothing. */
export function html(texts, ...values) {
  return new Made(texts.reduce((made, text, place) => made + shown(values[place - 1]) + text));
}
