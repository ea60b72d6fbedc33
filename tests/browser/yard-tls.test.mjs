// The yard page from a hub with a certificate of its own, as it stands on an office's network: a phone
// that trusts it loads the page once, joins, records with the hub stopped, and exchanges.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { X509Certificate, createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import path from "node:path";
import { after, before, test } from "node:test";

import { Office, Phone } from "./yard.mjs";

const SITE = "Tannery Row";

let office;
let phone;
let strange;

before(async () => {
  office = await Office.open();
  await office.stop();
});

after(async () => {
  await strange?.close();
  await phone?.close();
  await office?.close();
});

/** Makes a certificate for this machine that vouches for itself. */
function certify(folder) {
  const [certificate, key] = ["hub.pem", "hub-key.pem"].map((name) => path.join(folder, name));
  execFileSync("openssl", ["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
    "-days", "2", "-subj", "/CN=Headwalk office", "-addext", "subjectAltName=IP:127.0.0.1",
    "-out", certificate, "-keyout", key], { stdio: "ignore" });
  return { certificate, key };
}

test("over TLS the page loads, joins, works with the hub stopped, and all of it arrives", async () => {
  office.tls = certify(office.scratch.folder);
  const code = office.codeAtTheHub("Noor");
  await office.start();
  assert.match(office.url, /^https:/);

  // Who does not trust the certificate gets nothing, and says nothing to whoever answers there.
  strange = new Phone(office.url);
  await assert.rejects(strange.open(), /ERR_CERT_AUTHORITY_INVALID/);

  // The phone trusts this one key, as one does on which the office's own authority is installed.
  const { publicKey } = new X509Certificate(readFileSync(office.tls.certificate));
  const der = publicKey.export({ type: "spki", format: "der" });
  const pin = createHash("sha256").update(der).digest("base64");
  phone = new Phone(office.url, { browserArgs: [`--ignore-certificate-errors-spki-list=${pin}`] });
  await phone.open();
  await phone.join(office, "Noor", code);
  await phone.page.evaluate(() => navigator.serviceWorker.ready);
  await office.stop();

  await phone.kill();
  await phone.open();
  assert.equal(await phone.page.evaluate(() => navigator.serviceWorker.controller !== null), true);
  await phone.tap(SITE);
  await phone.tap("Inspection");
  await phone.tap("Same");
  await phone.tapOn(phone.page.locator(".heads .flag").first());
  const waiting = await phone.waiting();
  assert.ok(waiting >= 3, `${waiting} waiting`);

  await office.start();
  await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
  await phone.atOffice();
  await office.stop();
  office.tls = undefined;
  await office.start();
  office.run(["exchange"]);
  assert.match(office.run(["state", SITE]), /Noor/);
});
