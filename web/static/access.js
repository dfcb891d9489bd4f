// Passkeys: ask this side for a challenge, let the device answer it, bring the answer back.
"use strict";

const bytes = (text) => {
  const plain = atob(text.replaceAll("-", "+").replaceAll("_", "/"));
  return Uint8Array.from(plain, (letter) => letter.charCodeAt(0));
};

const text = (buffer) => {
  const plain = String.fromCharCode(...new Uint8Array(buffer));
  return btoa(plain).replaceAll("+", "-").replaceAll("/", "_").replaceAll("=", "");
};

const withIds = (list) => (list || []).map((one) => ({ ...one, id: bytes(one.id) }));

async function send(path, body) {
  const answer = await fetch(path, {
    method: "POST",
    headers: { "Content-Type": "application/json", Accept: "application/json" },
    body: JSON.stringify(body),
  });
  const content = await answer.json();
  if (!answer.ok) throw new Error(content.detail || content.title);
  return content;
}

function written(credential) {
  const parts = {};
  for (const name of ["clientDataJSON", "attestationObject", "authenticatorData", "signature", "userHandle"]) {
    const value = credential.response[name];
    if (value) parts[name] = text(value);
  }
  return {
    id: credential.id,
    rawId: text(credential.rawId),
    type: credential.type,
    authenticatorAttachment: credential.authenticatorAttachment,
    clientExtensionResults: credential.getClientExtensionResults(),
    response: parts,
  };
}

async function add(part) {
  const options = await send("/api/passkeys/begin", {});
  const credential = await navigator.credentials.create({
    publicKey: {
      ...options,
      challenge: bytes(options.challenge),
      user: { ...options.user, id: bytes(options.user.id) },
      excludeCredentials: withIds(options.excludeCredentials),
    },
  });
  const label = part.querySelector("input").value;
  return send("/api/passkeys", { credential: written(credential), label });
}

async function signIn(part) {
  const options = await send("/api/sign-in/passkey/begin", {});
  const credential = await navigator.credentials.get({
    publicKey: {
      ...options,
      challenge: bytes(options.challenge),
      allowCredentials: withIds(options.allowCredentials),
    },
  });
  return send("/api/sign-in/passkey", { credential: written(credential), back: part.dataset.back });
}

const DOES = { add, "sign-in": signIn };

for (const part of window.PublicKeyCredential ? document.querySelectorAll("[data-passkey]") : []) {
  const button = part.querySelector("[data-passkey-go]");
  const says = part.querySelector("[data-passkey-says]");
  part.hidden = false;
  button.addEventListener("click", async () => {
    button.disabled = true;
    says.hidden = true;
    try {
      const { to } = await DOES[part.dataset.passkey](part);
      location.assign(to);
    } catch (problem) {
      const given = problem.name === "NotAllowedError";
      says.textContent = given ? "The device did not answer, or it was stopped. Try again." : problem.message;
      says.hidden = false;
      button.disabled = false;
    }
  });
}
