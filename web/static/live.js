// Keeps a page live. One event stream a browser and trip: the tab that holds the lock listens and tells the others.
//
// The server sends `revision` when the journal has grown and `beat` every few seconds; both carry the number of the newest
// entry. A number newer than the one on the page becomes the DOM event `board:changed`, and htmx fetches the part again.
(() => {
  const url = document.body.dataset.live;
  if (!url || !("EventSource" in window)) return;

  const SILENCE_MS = 45000;
  const AGAIN_MS = 4000;
  const pulse = document.getElementById("pulse");
  const channel = "BroadcastChannel" in window ? new BroadcastChannel("rimaye " + url) : null;
  let stream = null;
  let leads = false;
  let lostAt = null;
  let heard = 0;
  let again = 0;

  const board = () => document.querySelector("[data-revision]");
  const revision = () => Number(board()?.dataset.revision ?? 0);
  const clock = (at) => at.toTimeString().slice(0, 5);

  function say() {
    if (!pulse) return;
    const asOf = board()?.dataset.asOf;
    const text = lostAt ? "No connection since " + clock(lostAt)
      : (heard ? "Live" : "Connecting") + (asOf ? ", last update " + asOf : "");
    pulse.hidden = false;
    pulse.dataset.state = lostAt ? "lost" : heard ? "live" : "waiting";
    if (pulse.textContent !== text) pulse.textContent = text;
  }

  function take(message) {
    if (message.kind === "lost") {
      lostAt ??= new Date();
    } else {
      lostAt = null;
      heard = Date.now();
      if (message.seq > revision()) document.body.dispatchEvent(new CustomEvent("board:changed", { bubbles: true }));
    }
    say();
  }

  function tell(message) {
    take(message);
    channel?.postMessage(message);
  }

  function close() {
    stream?.close();
    stream = null;
  }

  function open() {
    if (!leads) return;
    clearTimeout(again);
    close();
    stream = new EventSource(url);
    const number = (event) => tell({ kind: event.type, seq: Number(event.data) || 0 });
    stream.addEventListener("revision", number);
    stream.addEventListener("beat", number);
    stream.addEventListener("open", () => tell({ kind: "open", seq: 0 }));
    stream.addEventListener("error", () => {
      tell({ kind: "lost" });
      if (stream?.readyState === EventSource.CLOSED) again = setTimeout(open, AGAIN_MS);
    });
  }

  // A stream can die without a word, for instance when a phone sleeps. The beat tells.
  setInterval(() => {
    if (!heard || Date.now() - heard < SILENCE_MS) return;
    if (leads) { tell({ kind: "lost" }); open(); } else take({ kind: "lost" });
  }, SILENCE_MS / 3);

  channel?.addEventListener("message", (event) => take(event.data));
  window.addEventListener("online", () => open());
  window.addEventListener("offline", () => tell({ kind: "lost" }));
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState !== "visible") return;
    if (lostAt || (heard && Date.now() - heard > SILENCE_MS)) open();
  });
  document.addEventListener("htmx:after:swap", say);

  const lead = () => { leads = true; open(); return new Promise(() => {}); };
  if (navigator.locks && channel) navigator.locks.request("rimaye " + url, lead);
  else lead();
  say();
})();
