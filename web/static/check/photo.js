// Photos as they leave a phone: small enough for little signal, and without place and time.

const LONGEST_SIDE_PX = 1600; // as the service keeps them
const QUALITY = 0.8;

/** A picture of at most LONGEST_SIDE_PX a side, upright, as a JPEG of pixels alone; as it is when it cannot be read here. */
export async function shrunk(file) {
  let picture;
  try {
    picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  } catch {
    return file; // such as HEIC in most browsers; the service reads it
  }
  const scale = Math.min(1, LONGEST_SIDE_PX / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(picture.width * scale));
  canvas.height = Math.max(1, Math.round(picture.height * scale));
  const paper = canvas.getContext("2d");
  paper.fillStyle = "#fff";
  paper.fillRect(0, 0, canvas.width, canvas.height);
  paper.drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  return new Promise((resolve) => canvas.toBlob((made) => resolve(made ?? file), "image/jpeg", QUALITY));
}

/** What names a photo here and on the service: SHA-256 in hex. */
export async function hashOf(bytes) {
  const digest = await crypto.subtle.digest("SHA-256", bytes);
  return [...new Uint8Array(digest)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
