// Keeps a page live. One event stream a browser and trip: the tab that holds the lock listens and tells the others.
//
// The server sends `revision` when the journal has grown, and sends `beat` now and then; the id of both is the number
// of the newest entry. A number newer than the page's becomes the DOM event `board:changed`, and htmx fetches the part again.
(() => {
  const url = document.body.dataset.live;
  if (!url || !("EventSource" in window)) return;

  const SILENCE_MS = 60000; // a stream that beats and then falls silent is dead
  const AGAIN_MS = 4000; // until the next try when the browser has given up
  const GRACE_MS = 5000; // a stream that is merely renewed is no loss
  const pulse = document.getElementById("pulse");
  const channel = "BroadcastChannel" in window ? new BroadcastChannel("rimaye " + url) : null;
  let stream = null;
  let leads = false;
  let connected = false;
  let lostAt = null;
  let beatAt = 0;
  let newest = 0;
  let again = 0;
  let grace = 0;

  const board = () => document.querySelector("[data-revision]");
  const revision = () => Number(board()?.dataset.revision ?? 0);
  const clock = (at) => at.toTimeString().slice(0, 5);

  function say() {
    if (!pulse) return;
    const asOf = board()?.dataset.asOf;
    const text = lostAt ? "No connection since " + clock(lostAt)
      : (connected ? "Live" : "Connecting") + (asOf ? ", last update " + asOf : "");
    pulse.hidden = false;
    pulse.dataset.state = lostAt ? "lost" : connected ? "live" : "waiting";
    if (pulse.textContent !== text) pulse.textContent = text;
  }

  function catchUp() {
    if (newest > revision()) document.body.dispatchEvent(new CustomEvent("board:changed", { bubbles: true }));
  }

  function take(message) {
    if (message.kind === "ask") {
      if (leads) channel.postMessage(lostAt ? { kind: "lost" } : { kind: "open", seq: newest });
      return;
    }
    if (message.kind === "lost") {
      lostAt ??= new Date();
    } else {
      lostAt = null;
      connected = true;
      newest = Math.max(newest, message.seq);
      if (message.kind === "beat") beatAt = Date.now();
      catchUp();
    }
    say();
  }

  function tell(message) {
    take(message);
    channel?.postMessage(message);
  }

  function open() {
    if (!leads) return;
    clearTimeout(again);
    stream?.close();
    stream = new EventSource(url);
    const heard = (event) => {
      clearTimeout(grace);
      tell({ kind: event.type, seq: Number(event.lastEventId) || 0 });
    };
    for (const kind of ["open", "revision", "beat"]) stream.addEventListener(kind, heard);
    stream.addEventListener("error", () => {
      clearTimeout(grace);
      grace = setTimeout(() => tell({ kind: "lost" }), connected && navigator.onLine ? GRACE_MS : 0);
      if (stream.readyState === EventSource.CLOSED) again = setTimeout(open, AGAIN_MS);
    });
  }

  setInterval(() => {
    if (!beatAt || Date.now() - beatAt < SILENCE_MS) return;
    tell({ kind: "lost" });
    beatAt = 0;
    open();
  }, SILENCE_MS / 4);

  channel?.addEventListener("message", (event) => take(event.data));
  window.addEventListener("online", open);
  window.addEventListener("offline", () => take({ kind: "lost" }));
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState !== "visible") return;
    if (lostAt) open();
    catchUp();
  });
  document.addEventListener("htmx:after:swap", say);

  const lead = () => { leads = true; open(); return new Promise(() => {}); };
  if (navigator.locks && channel) {
    navigator.locks.request("rimaye " + url, lead);
    channel.postMessage({ kind: "ask" });
  } else lead();
  say();
})();
