// Numbers and days by large buttons: the same as api/handson/steps.py.

import { plain } from "./numbers.js";

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
