// How old a state is by now, judged by this device: a line that stalls, a tab that slept and a clock
// that was set all make a value older, never younger.

const JUMP = 250; // [ms] that the two clocks of a device may differ by before it counts

/** A clock [ms] that also goes on while the tab or the device sleeps. */
export function makeClock(steady = () => performance.now(), wall = () => Date.now()) {
  const s0 = steady(), w0 = wall();
  let slept = 0;
  return () => {
    const s = steady() - s0, gone = wall() - w0 - s;
    if (gone - slept > JUMP) slept = gone;
    return s + slept;
  };
}

/** Ages of what comes over one stream after the other. */
export class Ages {
  constructor(clock = makeClock()) {
    this.clock = clock;
    this.true_at = null; // our clock when the newest state was true
    this.opened();
  }

  /** A stream is asked for: what comes over it was made after this moment. */
  opened() {
    this.asked = this.clock();
    this.bounds = [];
  }

  /** The server said `t` [ms] of its clock after we had asked at `sent` of ours. */
  said(sent, t) {
    this.bounds = [...this.bounds, sent - t].slice(-4);
  }

  /** A state came that was true at `t`. */
  came(t) {
    if (!this.bounds.length) this.said(this.asked, t);
    // our clock less the server's is at least each of these, so that no age comes out too small
    this.true_at = Math.min(this.clock(), t + Math.max(...this.bounds));
  }

  /** [ms] since the newest state was true. */
  silence() { return this.true_at === null ? Infinity : this.clock() - this.true_at; }
}
