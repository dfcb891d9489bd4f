// Words of the check, as web/words.py has them; tests hold both together.

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

/** "14:00" in the trip's time zone; with its day when that is not today. */
export function when(epochMs, zone, now) {
  const time = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: zone });
  const day = new Intl.DateTimeFormat("en-GB", { weekday: "short", day: "numeric", month: "short", timeZone: zone });
  const said = time.format(epochMs);
  return day.format(epochMs) === day.format(now) ? said : `${day.format(epochMs)}, ${said}`;
}

export function duration(seconds) {
  const minutes = Math.round(seconds / 60);
  return minutes < 60 ? `${minutes}\u00a0min` : `${Math.floor(minutes / 60)}\u00a0h ${minutes % 60}\u00a0min`;
}
