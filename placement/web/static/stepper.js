// Frames one by one: one request under way, then the newest wanted; then it reads ahead.
const KEPT = 160;

export class Stepper {
  /** @param address (n) => url  @param shown (n, url) => void  @param failed (n) => void */
  constructor(address, shown, failed) {
    this.address = address; this.shown = shown; this.failed = failed;
    this.kept = new Map(); this.wanted = -1; this.at = -1; this.busy = false; this.ahead = () => [];
  }
  /** Ask for a frame; `ahead` names those likely to be asked for next. */
  go(n, ahead = () => []) {
    this.wanted = n; this.ahead = ahead;
    const have = this.kept.get(n);
    if (have) { this.at = n; this.shown(n, have); }
    if (!this.busy) this.run();
  }
  forget() { for (const url of this.kept.values()) URL.revokeObjectURL(url); this.kept.clear(); this.at = -1; }
  async run() {
    this.busy = true;
    try {
      for (;;) {
        const n = this.wanted;
        if (this.at !== n) {
          const url = await this.fetch(n);
          if (url) { this.at = n; this.shown(n, url); }
          else { if (this.wanted === n) { this.failed(n); return; } }
          continue;
        }
        const next = this.ahead().find((k) => !this.kept.has(k));
        if (next === undefined) return;
        if (!(await this.fetch(next))) return;
      }
    } finally { this.busy = false; if (this.wanted !== this.at && this.kept.has(this.wanted)) this.go(this.wanted, this.ahead); }
  }
  async fetch(n) {
    const have = this.kept.get(n);
    if (have) { this.kept.delete(n); this.kept.set(n, have); return have; }
    try {
      const answer = await fetch(this.address(n));
      if (!answer.ok) return null;
      const url = URL.createObjectURL(await answer.blob());
      const image = new Image();
      image.src = url;
      await image.decode();  // no flicker, and no caption for a picture that is not there
      this.kept.set(n, url);
      while (this.kept.size > KEPT) {
        const [old, gone] = this.kept.entries().next().value;
        if (old === this.at) break;
        this.kept.delete(old); URL.revokeObjectURL(gone);
      }
      return url;
    } catch { return null; }
  }
}

/** The frame nearest to a moment. */
export function frameAt(times, moment) {
  let low = 0, high = times.length - 1;
  while (low < high) { const m = (low + high) >> 1; if (times[m] < moment) low = m + 1; else high = m; }
  return low > 0 && moment - times[low - 1] < times[low] - moment ? low - 1 : low;
}
