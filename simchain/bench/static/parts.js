// A player that can also sound a part of a passage: what comes first after a change, while the
// whole is still being rendered.

// Like a take of one order, but its sound begins at frame `first` of the passage and ends.
class Part {
  frameAt = Take.prototype.frameAt;

  constructor(context, master, buffer, gain, { start, offset, first, loop }) {
    Object.assign(this, { context, start, offset, loop });
    const rate = context.sampleRate;
    this.last = Math.min(first + buffer.length, loop.to);
    this.whole = new Fader(context, 0);
    this.tail = new Fader(context, 1);
    this.orders = [new Fader(context, gain)];
    this.source = context.createBufferSource();
    this.source.buffer = buffer;
    this.source.connect(this.orders[0].node).connect(this.tail.node);
    this.tail.node.connect(this.whole.node).connect(master);
    this.source.start(start / rate, (offset - first) / rate);
    this.whole.to(1, start / rate);
    const ends = start + this.last - offset;
    this.tail.to(0, Math.max(start / rate, ends / rate - FADE_S));
    this.source.stop(ends / rate);
    this.source.onended = () => this.whole.node.disconnect();
  }

  // Seconds of sound that are left at a frame of the context.
  left(frame) {
    return (this.start + this.last - this.offset - frame) / this.context.sampleRate;
  }

  softenSeams() {}

  fadeTo(gains, at, seconds = FADE_S) {
    this.orders[0].to(gains[0], at, seconds);
  }

  end(at) {
    this.whole.to(0, at);
  }
}

class BenchPlayer extends Player {
  // Start a part that begins with frame `first`, where the playhead will be by then, or at
  // `offset`. Returns whether there was enough of it left to start.
  startPart(buffer, first, gain, loop, offset = null) {
    const rate = this.context.sampleRate;
    let start = this.afterTake();
    let place = offset === null ? this.take.frameAt(start) : offset;
    const inside = place >= first && place < first + buffer.length;
    if (!inside) {
      start += place < first ? first - place : loop.to - place + first - loop.from;
      place = first;
    }
    const left = Math.min(first + buffer.length, loop.to) - place;
    if (left < 4 * FADE_S * rate) return false;
    this.take?.end(start / rate);
    this.take = new Part(this.context, this.hush.node, buffer, gain, { start, offset: place, first, loop });
    clearInterval(this.timer);
    return true;
  }

  get part() {
    return this.take instanceof Part ? this.take : null;
  }
}
