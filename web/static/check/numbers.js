// Numbers as text, exactly as the service writes them.

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
