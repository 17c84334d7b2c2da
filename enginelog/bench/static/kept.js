// Keeps a take in this browser until it has arrived: it outlives lost Wi-Fi, a reload and a closed tab.

const NAME = "enginelog-bench";
const SHELF = "takes";

function open() {
  return new Promise((done, failed) => {
    const wanted = indexedDB.open(NAME, 1);
    wanted.onupgradeneeded = () => wanted.result.createObjectStore(SHELF, { keyPath: "job" });
    wanted.onsuccess = () => done(wanted.result);
    wanted.onerror = () => failed(wanted.error);
  });
}

async function on(mode, act) {
  const shelf = await open();
  try {
    return await new Promise((done, failed) => {
      const going = shelf.transaction(SHELF, mode);
      const wanted = act(going.objectStore(SHELF));
      going.oncomplete = () => done(wanted.result);
      going.onabort = going.onerror = () => failed(going.error);
    });
  } finally {
    shelf.close();
  }
}

/** Keep {job, blob, name, stage, conditions, id}; false where this browser keeps nothing (a private window, no room). */
export async function keep(take) {
  try {
    await on("readwrite", (shelf) => shelf.put(take));
    return true;
  } catch {
    return false;
  }
}

export async function kept(job) {
  try {
    return await on("readonly", (shelf) => shelf.get(job));
  } catch {
    return undefined;
  }
}

export async function forget(job) {
  try {
    await on("readwrite", (shelf) => shelf.delete(job));
  } catch {
    // nothing was kept
  }
}
