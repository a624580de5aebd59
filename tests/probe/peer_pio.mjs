// Runs PIO words in an independent emulator: node peer_pio.mjs PACKAGE < JOB. One JSON object in, one out.
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";
const { RP2040 } = await import(pathToFileURL(`${process.argv[2]}/dist/esm/index.js`));
const job = JSON.parse(readFileSync(0, "utf8"));
const chip = new RP2040();
const pio = chip.pio[0];
const base = 0x50200000;
job.words.forEach((word, index) => pio.writeUint32(0x048 + 4 * index, word));
pio.writeUint32(0x0cc, (job.wrap << 12) | (job.wrapTarget << 7));
const join = { none: 0, receive: 1 << 31, send: 1 << 30 }[job.join];
pio.writeUint32(0x0d0, (join | ((job.outRight ? 1 : 0) << 19) | ((job.inRight ? 1 : 0) << 18)) >>> 0);
pio.writeUint32(0x0dc, ((2 << 20) | (2 << 15) | 4) >>> 0);
const machine = pio.machines[0];
for (const pin of [2, 3]) chip.gpio[pin].padValue = 0x56; // input enabled, as the board sets it
const pushed = [], outputs = [];
let last = 0;
const levels = [...job.levels], words = [...job.send];
while (machine.cycles < job.cycles) {
  while (levels.length && levels[0][0] <= machine.cycles) {
    const value = levels.shift()[1];
    chip.gpio[2].setInputValue(!!(value & 1));
    chip.gpio[3].setInputValue(!!(value & 2));
  }
  while (words.length && !machine.txFIFO.full) chip.writeUint32(base + 0x10, words.shift());
  const began = machine.cycles;
  machine.step();
  if (pio.pinValues >> 4 !== last) outputs.push([began, (last = pio.pinValues >> 4)]);
  if (job.drain) while (!machine.rxFIFO.empty) pushed.push(chip.readUint32(base + 0x20) >>> 0);
  if (machine.waiting && !words.length) break;
}
const stalled = pio.readUint32(0x008) & 1;
while (!machine.rxFIFO.empty) pushed.push(chip.readUint32(base + 0x20) >>> 0);
console.log(JSON.stringify({ pushed, outputs, stalled, cycles: machine.cycles }));
