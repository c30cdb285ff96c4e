// Hearing of every tap that counts, from whichever screen, for as long as the page is seen.
//
// A page that nobody sees lets go of its stream: browsers allow only a few to one server, over all tabs.
const ASK_AGAIN_MS = 10000;

export class Follower {
  constructor(address, heard) {
    this.address = address;
    this.heard = heard;
    document.addEventListener("visibilitychange", () => (document.hidden ? this.stop() : this.start()));
    addEventListener("pagehide", () => this.stop());
    addEventListener("pageshow", (event) => event.persisted && this.start());
    addEventListener("online", () => this.start());
    addEventListener("offline", () => heard.closed());
  }

  start() {
    if (document.hidden || this.source) return;
    const source = new EventSource(this.address);
    this.source = source;
    source.addEventListener("open", () => this.heard.open());
    source.addEventListener("message", ({ data }) => this.heard.turn(Number(data)));
    source.addEventListener("error", () => {
      if (source.readyState !== EventSource.CLOSED) {
        this.heard.closed();
        return;
      }
      this.stop(); // turned away: too many follow
      setTimeout(() => this.start(), ASK_AGAIN_MS);
    });
  }

  stop() {
    this.source?.close();
    this.source = null;
  }
}
