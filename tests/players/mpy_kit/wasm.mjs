// Runs a script in MicroPython for the web: node wasm.mjs NODE_MODULES SCRIPT GLOW_FOLDER VERB [FILE or word ...].
// Files named in the words, and the player's modules, are put into its own file system first.
import fs from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";

const [modules, script, folder, ...words] = process.argv.slice(2);
const home = path.join(modules, "@micropython/micropython-webassembly-pyscript/micropython.mjs");
const { loadMicroPython } = await import(pathToFileURL(home));
const python = await loadMicroPython({ linebuffer: true, stdout: (line) => console.log(line) });
python.FS.mkdir("/player");
python.FS.mkdir("/player/glow");
for (const name of fs.readdirSync(path.join(folder, "glow"))) {
  if (name.endsWith(".py")) {
    python.FS.writeFile(`/player/glow/${name}`, fs.readFileSync(path.join(folder, "glow", name)));
  }
}
for (const name of ["hw_fake.py", "stubs.py"]) {
  python.FS.writeFile(`/player/${name}`, fs.readFileSync(path.join(path.dirname(script), name)));
}
python.FS.writeFile("/player/rooms.py", fs.readFileSync(path.join(folder, "rooms.py")));
const inside = words.map((word) => {
  if (!fs.existsSync(word) || fs.statSync(word).isDirectory()) return word;
  python.FS.writeFile(`/${path.basename(word)}`, fs.readFileSync(word));
  return `/${path.basename(word)}`;
});
const argv = ["script", "/player", ...inside];
python.runPython(`import sys\nsys.argv[:] = ${JSON.stringify(argv)}\n`);
try {
  python.runPython(fs.readFileSync(script, "utf8"));
  python.runPython("import gc\ngc.collect()");
  python.runPython('globals().get("after", lambda: None)()');
} catch (error) {
  process.stderr.write(`${error.message}\n`);
  process.exit(1);
}
