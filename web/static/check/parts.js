// HTML from templates: everything put in is escaped, unless it was made by `html` itself.

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
