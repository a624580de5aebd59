// Runs Python files in MicroPython for WebAssembly: node peer_micropython.mjs PACKAGE FOLDER NAME... (the last is run).
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";
const [packageFolder, ...files] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(`${packageFolder}/micropython.mjs`));
const python = await loadMicroPython({ stdout: (line) => console.log(line), linebuffer: true });
for (const file of files) python.FS.writeFile(`/${file.split("/").pop()}`, readFileSync(file));
// Files that need the board's own modules are compiled, at least.
for (const file of files) {
  const path = `/${file.split("/").pop()}`;
  python.runPython(`compile(open("${path}").read(), "${path}", "exec")`);
}
const last = files.at(-1).split("/").pop().replace(/\.py$/, "");
python.runPython(`import sys\nsys.path.insert(0, "/")\nimport ${last}\n${last}.main()`);
