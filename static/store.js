// What is kept in this browser through a reload.
"use strict";

const A_DAY = 24 * 3600 * 1000;

export let isFull = false;

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
    isFull = false;
  } catch {
    isFull = true; // no room, or none allowed; the page itself goes on keeping it while it is open
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
