// Hearing of every tap that counts, from whichever screen, for as long as the page is seen.
//
// A page that nobody sees lets go of its stream: browsers allow only a few to one server, over all tabs. The
// stream says something every few seconds, so that a link that died without a word is noticed.
const ASK_AGAIN_MS = 10000;
const BEATS = 2.5; // so many times what the server takes at most between two words

export class Follower {
  // heard: turn(number), mark(text), open(), closed(), online(): what the page does then.
  constructor(address, heard) {
    this.address = address;
    this.heard = heard;
    this.everyMs = 2000; // until the server says so itself
    document.addEventListener("visibilitychange", () => (document.hidden ? this.stop() : this.start()));
    addEventListener("pagehide", () => this.stop());
    addEventListener("pageshow", (event) => event.persisted && this.start());
    addEventListener("online", () => heard.online());
    addEventListener("offline", () => heard.closed());
  }

  start() {
    if (document.hidden || this.source?.readyState === EventSource.OPEN) return;
    this.source?.close(); // one that tries by itself would still tell of a net that was gone
    const source = new EventSource(this.address);
    this.source = source;
    this.expect();
    source.addEventListener("open", () => {
      this.expect();
      this.heard.open();
    });
    source.addEventListener("every", ({ data }) => { this.everyMs = Number(data); });
    source.addEventListener("mark", ({ data }) => this.heard.mark(data));
    source.addEventListener("message", ({ data }) => {
      this.expect();
      this.heard.turn(Number(data));
    });
    source.addEventListener("error", () => {
      if (source.readyState !== EventSource.CLOSED) {
        this.heard.closed();
        return;
      }
      this.stop(); // turned away: too many follow
      setTimeout(() => this.start(), ASK_AGAIN_MS);
    });
  }

  // From now on something should be heard before long.
  expect() {
    clearTimeout(this.silence);
    this.silence = setTimeout(() => {
      this.stop();
      this.heard.closed();
    }, BEATS * this.everyMs);
  }

  stop() {
    clearTimeout(this.silence);
    this.source?.close();
    this.source = null;
  }
}
