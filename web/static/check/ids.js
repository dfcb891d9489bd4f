// Ids and moments of records, as they are written on this phone.

let last = 0n;

/** A UUID of version 7 (RFC 9562). Those made in one page sort in the order they were made. */
export function newId(epochMs) {
  const random = crypto.getRandomValues(new Uint8Array(8));
  // 48 bits of milliseconds and 12 bits that count up: the clock may stand still or go back, the id does not.
  const stamp = BigInt(Math.max(0, Math.floor(epochMs))) << 12n;
  last = stamp > last ? stamp : last + 1n;
  const [time, count] = [last >> 12n, last & 0xfffn];
  random[0] = (random[0] & 0x3f) | 0x80;
  const hex = time.toString(16).padStart(12, "0") + "7" + count.toString(16).padStart(3, "0")
    + [...random].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

/** A moment in UTC to the microsecond, the way the journal writes it. */
export const moment = (epochMs) => new Date(epochMs).toISOString().replace("Z", "000Z");

/** A short name for this device, kept with its records. */
export const deviceName = () =>
  "phone-" + [...crypto.getRandomValues(new Uint8Array(5))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
