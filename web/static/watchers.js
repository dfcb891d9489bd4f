// Push: let this browser subscribe, and tell the service where messages for it go.
"use strict";

const part = document.querySelector("[data-push]");
const takes = "serviceWorker" in navigator && "PushManager" in window && "Notification" in window;

function key(text) {
  const plain = atob(text.replaceAll("-", "+").replaceAll("_", "/"));
  return Uint8Array.from(plain, (letter) => letter.charCodeAt(0));
}

const same = (kept, wanted) => Boolean(kept) && String(new Uint8Array(kept)) === String(wanted);

async function subscribed(wanted) {
  if ((await Notification.requestPermission()) !== "granted") {
    throw new Error("This browser does not let the board show notes. Allow them in its settings for this page, and try again.");
  }
  await navigator.serviceWorker.register("/sw.js", { scope: "/" });
  const { pushManager } = await navigator.serviceWorker.ready;
  const kept = await pushManager.getSubscription();
  if (kept && same(kept.options.applicationServerKey, wanted)) return kept;
  if (kept) await kept.unsubscribe(); // it was made for another key, which is no longer there
  return pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: wanted });
}

async function tell() {
  const subscription = await subscribed(key(part.dataset.push));
  const answer = await fetch(part.dataset.pushTo, {
    method: "POST",
    headers: { "Content-Type": "application/json", Accept: "application/json" },
    body: JSON.stringify(subscription),
  });
  if (answer.ok) return;
  const problem = await answer.json();
  throw new Error(problem.detail || problem.title);
}

if (part && takes) {
  const button = part.querySelector("[data-push-go]");
  const says = part.querySelector("[data-push-says]");
  part.hidden = false;
  document.querySelector("[data-push-off]").hidden = true;
  button.addEventListener("click", async () => {
    button.disabled = true;
    says.hidden = true;
    try {
      await tell();
      location.assign(location.pathname + "?saved=1");
    } catch (problem) {
      says.textContent = problem.message;
      says.hidden = false;
      button.disabled = false;
    }
  });
}
