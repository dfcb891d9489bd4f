// What this phone keeps: records until the service has them, and what it took along. Nothing counts as saved before
// the browser says that it is on the disk.
//
// A kept record: {n: its place in the order of writing, id, trip, entry, behind: [ids], since: ms, seq: number once it
// has arrived, problem: text once it was refused}.

const NAME = "rimaye";
let opened = null;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, 2);
    asked.onupgradeneeded = ({ oldVersion }) => {
      asked.result.createObjectStore("photos", { keyPath: "hash" }).createIndex("trip", "trip");
      asked.result.createObjectStore("pixels", { keyPath: "hash" });
      if (oldVersion >= 1) return;
      const entries = asked.result.createObjectStore("entries", { keyPath: "n", autoIncrement: true });
      entries.createIndex("id", "id", { unique: true });
      entries.createIndex("trip", "trip");
      asked.result.createObjectStore("taken", { keyPath: "trip" });
      asked.result.createObjectStore("meta", { keyPath: "name" });
    };
    asked.onsuccess = () => {
      asked.result.onversionchange = () => { asked.result.close(); opened = null; };
      resolve(asked.result);
    };
    asked.onerror = () => { opened = null; reject(asked.error); };
  });
  return opened;
}

async function within(store, mode, act) {
  const db = await open();
  return new Promise((resolve, reject) => {
    const transaction = db.transaction(store, mode, { durability: mode === "readwrite" ? "strict" : "default" });
    let result;
    transaction.oncomplete = () => resolve(result);
    transaction.onabort = () => reject(transaction.error);
    const objects = (name) => transaction.objectStore(name);
    act(objects([store].flat()[0]), (value) => { result = value; }, objects);
  });
}

const reading = (store, ask) =>
  within(store, "readonly", (objects, done) => { const asked = ask(objects); asked.onsuccess = () => done(asked.result); });

/**
 * Keep records, in their order, and the photo that the last of them names, if there is one. Resolves with the records,
 * numbered, once all is on the disk.
 */
export function add(kept, photo = null) {
  const stores = photo ? ["entries", "photos", "pixels"] : "entries";
  return within(stores, "readwrite", (objects, done, store) => {
    if (photo) {
      const { bytes, ...about } = photo;
      store("photos").put(about);
      store("pixels").put({ hash: photo.hash, bytes });
    }
    const numbered = kept.map((one) => ({ ...one }));
    for (const one of numbered) objects.add(one).onsuccess = (event) => { one.n = event.target.result; };
    done(numbered);
  });
}

/** The records of a trip that this phone keeps, in the order of writing. */
export const ofTrip = (trip) => reading("entries", (objects) => objects.index("trip").getAll(trip));

/** Note what became of records: changes is a list of [n, {seq} or {problem}]. */
export function settle(changes) {
  return within("entries", "readwrite", (objects) => {
    for (const [n, change] of changes) {
      const asked = objects.get(n);
      asked.onsuccess = () => { if (asked.result) objects.put({ ...asked.result, ...change }); };
    }
  });
}

/** Let go of records that the service has, or that their writer has put away. */
export function letGo(numbers) {
  return within("entries", "readwrite", (objects) => { for (const n of numbers) objects.delete(n); });
}

/** The photos of a trip that have not arrived: {hash, trip, subject, requirement, actor, since, problem}, without pixels. */
export const photosOf = (trip) => reading("photos", (objects) => objects.index("trip").getAll(trip));
export const pixels = async (hash) => (await reading("pixels", (objects) => objects.get(hash)))?.bytes;

/** Note why the service did not take a photo. */
export const refusePhoto = (photo, problem) => within("photos", "readwrite", (objects) => { objects.put({ ...photo, problem }); });

/** Let go of a photo that the service has, or that was put away. */
export const letGoPhoto = (hash) =>
  within(["photos", "pixels"], "readwrite", (_, __, store) => { for (const name of ["photos", "pixels"]) store(name).delete(hash); });

export const taken = (trip) => reading("taken", (objects) => objects.get(trip));

/** What was taken along; beside it, in small, whose it is and by what mark the service knows it. */
export function keepTaken(trip, mark, answer) {
  return within(["taken", "meta"], "readwrite", (_, __, store) => {
    store("taken").put({ trip, answer });
    store("meta").put({ name: "taken " + trip, value: { mark, reader: answer.reader } });
  });
}

export const mark = async (trip) => (await meta("taken " + trip))?.mark;
export const reader = async (trip) => (await meta("taken " + trip))?.reader;

export async function meta(name) {
  return (await reading("meta", (objects) => objects.get(name)))?.value;
}
export const keepMeta = (name, value) => within("meta", "readwrite", (objects) => { objects.put({ name, value }); });

// -- ids and moments of records ------------------------------------------------------------------------------

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
