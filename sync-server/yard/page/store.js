// The one file in which the phone's store lives, and the right to have it open: one tab at a time.

const LOCK = "headwalk-store";
const FILE = "headwalk.redb";

/** Takes the lock for as long as this worker lives; says so first where another tab has it. */
export async function hold(tellElsewhere) {
  const taken = (options) => new Promise((resolve) => {
    navigator.locks.request(LOCK, options, (lock) => {
      resolve(lock !== null);
      return lock === null ? undefined : new Promise(() => {});
    });
  });
  if (await taken({ ifAvailable: true })) return;
  tellElsewhere();
  await taken({});
}

/** Opens the file for synchronous access; a handle of a worker that just ended may linger. */
export async function open() {
  const folder = await navigator.storage.getDirectory();
  const file = await folder.getFileHandle(FILE, { create: true });
  for (let tries = 0; ; tries += 1) {
    try {
      return await file.createSyncAccessHandle();
    } catch (why) {
      if (tries === 40) throw why;
      await new Promise((resolve) => setTimeout(resolve, 50));
    }
  }
}

/** Reads the whole file, for an export. */
export function bytes(handle) {
  const all = new Uint8Array(handle.getSize());
  handle.read(all, { at: 0 });
  return all;
}
