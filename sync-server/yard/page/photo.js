// Pictures on the page: the camera, the picture scaled before anything is kept, and one tap that keeps
// it. Drawing it anew on a canvas leaves behind where it was taken and whatever else the camera wrote;
// core looks once more before it is kept.

// A quality at which a nozzle's edge is still clean and a picture of 1,600 px has some 300 kB: common
// practice, no source.
const QUALITY = 0.8;
const SHOWN_AT_ONCE = 40;

const camera = Object.assign(document.createElement("input"), { type: "file", accept: "image/*", id: "camera", hidden: true });
camera.setAttribute("capture", "environment");
camera.setAttribute("aria-hidden", "true");
document.body.append(camera);

// The picture that was taken and is not kept yet, and of what it is.
let pending = null;
let redraw = () => {};
const shown = new Map();

/** Scales a picture so that its long edge is no longer than that, upright, and returns a JPEG file. */
async function scaled(file, longEdge) {
  const drawn = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, longEdge / Math.max(drawn.width, drawn.height));
  const [width, height] = [drawn.width, drawn.height].map((px) => Math.max(1, Math.round(px * scale)));
  const canvas = Object.assign(document.createElement("canvas"), { width, height });
  const pen = canvas.getContext("2d");
  pen.imageSmoothingQuality = "high";
  // What is see-through is white, as on paper.
  pen.fillStyle = "#fff";
  pen.fillRect(0, 0, width, height);
  pen.drawImage(drawn, 0, 0, width, height);
  drawn.close();
  return new Promise((resolve, reject) => {
    canvas.toBlob((blob) => (blob ? resolve(blob) : reject(new Error("no picture came of it"))), "image/jpeg", QUALITY);
  });
}

camera.addEventListener("change", async () => {
  const [file] = camera.files;
  const { thing, longEdge, unreadable } = camera.wanted;
  if (!file) return;
  forget();
  try {
    const blob = await scaled(file, longEdge);
    pending = { thing, blob, url: URL.createObjectURL(blob) };
  } catch {
    pending = { thing, unreadable };
  }
  camera.value = "";
  redraw();
  const question = document.getElementById("photo-pending");
  await question?.querySelector("img")?.decode().catch(() => {});
  question?.scrollIntoView({ block: "end" });
});

function forget() {
  if (pending?.url) URL.revokeObjectURL(pending.url);
  pending = null;
}

/** Draws the pictures of a thing; `send` tells the worker something and draws its answer. */
export function photoBlock(block, { make, button, send, ask, again }) {
  const { thing, label, photos, take } = block;
  const box = make("section", { class: "photos", "data-thing": thing }, make("h2", {}, label));
  const open = make("button", { type: "button", class: "plain take" }, make("span", { class: "label" }, take.label));
  open.addEventListener("click", () => {
    camera.wanted = { thing, longEdge: take.long_edge, unreadable: take.unreadable };
    redraw = again;
    camera.click();
  });
  box.append(open);
  if (pending?.thing === thing) box.append(confirm(take, { make, send, again }));
  if (photos.length > 0) {
    box.append(make("ul", { class: "pictures" }, ...photos.map((one) => make("li", {},
      one.file ? picture(one, { make, ask }) : null,
      make("p", { class: "text plain" }, make("strong", {}, one.words), make("span", { class: "note" }, one.note)),
      one.bring ? button(one.bring) : null))));
  }
  return box;
}

/** The picture that was just taken, and what it may be kept as. */
function confirm(take, { make, send, again }) {
  if (pending.unreadable) return make("p", { class: "text ask", role: "alert", id: "photo-pending" }, pending.unreadable);
  const plain = (words, kind, act) => {
    const made = make("button", { type: "button", class: kind }, make("span", { class: "label" }, words));
    made.addEventListener("click", act);
    return made;
  };
  const keep = ([shows, words], nth) => plain(words, nth === 0 ? "main" : "plain", async () => {
    const { thing, blob } = pending;
    const bytes = new Uint8Array(await blob.arrayBuffer());
    // It stays on the screen until its entry and its file are on disk.
    await send({ photo: { bytes, thing, shows } }, forget);
  });
  return make("div", { class: "pending", id: "photo-pending" },
    make("img", { src: pending.url, alt: take.label }),
    make("div", { class: "row" }, ...take.keep.map(keep), plain(take.throw_away, "plain", () => { forget(); again(); })));
}

function picture({ file, words }, { make, ask }) {
  const image = make("img", { alt: words, "data-file": file });
  const put = (url) => { image.src = url; };
  if (shown.has(file)) {
    put(shown.get(file));
    return image;
  }
  ask({ picture: file }).then((answer) => {
    if (!answer?.bytes) return;
    const url = URL.createObjectURL(new Blob([answer.bytes], { type: "image/jpeg" }));
    shown.set(file, url);
    if (shown.size > SHOWN_AT_ONCE) {
      const [oldest] = shown.keys();
      URL.revokeObjectURL(shown.get(oldest));
      shown.delete(oldest);
    }
    put(url);
  });
  return image;
}
