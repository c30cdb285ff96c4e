// What is kept in this browser through a reload.
const A_DAY = 24 * 3600 * 1000;

export const randomName = () =>
  Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");

const failed = new Set();

// Whether what goes under this name is kept only while the page stays open: there is no room, or none allowed.
export const hasNoRoom = (name) => failed.has(name);

export const read = (name) => {
  try {
    return JSON.parse(localStorage.getItem(name));
  } catch {
    return null;
  }
};

export const write = (name, what) => {
  try {
    localStorage.setItem(name, JSON.stringify({ ...what, written: Date.now() }));
    failed.delete(name);
  } catch {
    failed.add(name);
  }
};

export const remove = (name) => {
  try {
    localStorage.removeItem(name);
  } catch { /* then there is nothing to remove */ }
};

export const names = (start) => {
  try {
    return Object.keys(localStorage).filter((name) => name.startsWith(start));
  } catch {
    return [];
  }
};

// Holds of tabs that are long closed; taps are never thrown away here.
export const tidy = () => {
  for (const name of names("held ")) {
    const { written = 0 } = read(name) ?? {};
    const { taps = [] } = read(name.replace("held ", "taps ")) ?? {};
    if (Date.now() - written < A_DAY || taps.length) continue;
    remove(name);
    remove(name.replace("held ", "taps "));
  }
};
