// Nothing lies on the device in plain: AES-GCM (NIST SP 800-38D) with the county's key, which stands
// in this page's file. Each seal has an IV of its own, and opens only under the name it was made for.
"use strict";
const sealing = (function () {
  const IV_BYTES = 12, STEP = 8192;
  let key = null, county = "", home = "", mark = "";

  const bytesOf = (base64) => Uint8Array.from(atob(base64), (sign) => sign.charCodeAt(0));

  function base64Of(bytes) {
    let signs = "";
    for (let at = 0; at < bytes.length; at += STEP) signs += String.fromCharCode(...bytes.subarray(at, at + STEP));
    return btoa(signs);
  }

  async function digest(words, bytes = new Uint8Array(0)) {
    const head = new TextEncoder().encode(words), all = new Uint8Array(head.length + bytes.length);
    all.set(head);
    all.set(bytes, head.length);
    const made = new Uint8Array(await crypto.subtle.digest("SHA-256", all));
    return Array.from(made.subarray(0, 8), (b) => b.toString(16).padStart(2, "0")).join("");
  }

  // Whether this browser can seal; `secret`: 32 bytes as base64
  async function open(secret, name) {
    county = name;
    try {
      const bytes = bytesOf(secret);
      home = await digest(`county ${name}`);
      mark = await digest("key ", bytes);
      key = await crypto.subtle.importKey("raw", bytes, "AES-GCM", false, ["encrypt", "decrypt"]);
    } catch {
      key = null;
    }
    return key !== null;
  }

  const way = (iv, name) => ({ name: "AES-GCM", iv, additionalData: new TextEncoder().encode(JSON.stringify([county, name])) });

  async function seal(name, bytes) {
    const iv = crypto.getRandomValues(new Uint8Array(IV_BYTES));
    const closed = new Uint8Array(await crypto.subtle.encrypt(way(iv, name), key, bytes));
    const all = new Uint8Array(IV_BYTES + closed.length);
    all.set(iv);
    all.set(closed, IV_BYTES);
    return base64Of(all);
  }

  // The bytes, or null where it is no seal of this key and name
  async function unseal(name, sealed) {
    if (typeof sealed !== "string" || !key) return null;
    try {
      const all = bytesOf(sealed);
      return new Uint8Array(await crypto.subtle.decrypt(way(all.subarray(0, IV_BYTES), name), key, all.subarray(IV_BYTES)));
    } catch {
      return null;
    }
  }

  const sealText = (name, text) => seal(name, new TextEncoder().encode(text));

  async function unsealText(name, sealed) {
    const bytes = await unseal(name, sealed);
    return bytes && new TextDecoder().decode(bytes);
  }

  return {
    open, seal, unseal, sealText, unsealText, digest, bytesOf, base64Of,
    place: () => `drafts:${home}:${mark}`, // of this county and key
    homePlace: () => `drafts:${home}:`, // of this county under any key
  };
})();
