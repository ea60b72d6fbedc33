//! A hub with a certificate, and a device that must know whom it speaks to.

#![expect(
    clippy::unwrap_used,
    reason = "all of this is a test, though not every function says so"
)]

use expect_test::expect;
use headwalk_tests::{TestEnv, TestHub};
use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair, date_time_ymd};

use super::maple_court;

/// A firm's own authority.
struct Authority(Issuer<'static, KeyPair>);

impl Authority {
    /// Makes one, and writes its certificate where a device can read it.
    fn new(env: &TestEnv, file: &str) -> Self {
        let mut params = CertificateParams::default();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let key = KeyPair::generate().unwrap();
        env.write(file, params.self_signed(&key).unwrap().pem());
        Self(Issuer::new(params, key))
    }

    /// Vouches for a hub of this name, until the end of this year.
    fn vouch(&self, env: &TestEnv, name: &str, until: i32) {
        let mut params = CertificateParams::new([name.to_owned()]).unwrap();
        params.not_after = date_time_ymd(until, 12, 31);
        let key = KeyPair::generate().unwrap();
        env.write("hub.pem", params.signed_by(&key, &self.0).unwrap().pem());
        env.write("hub.key", key.serialize_pem());
    }
}

fn hub(env: &TestEnv) -> TestHub {
    let (certificate, key) = (env.path("hub.pem"), env.path("hub.key"));
    let words = ["--certificate", certificate.to_str().unwrap(), "--key"];
    TestHub::start_with(env, &[words.as_slice(), &[key.to_str().unwrap()]].concat())
}

/// Asks to be let in, and puts a fixed word for the hub's address, which is chance.
fn enrol(env: &TestEnv, hub: &TestHub, more: &str) -> String {
    let code = hub.first_code.clone().unwrap();
    let told = env.run(&format!("enrol {} {code} {more}", hub.url));
    told.to_string().replace(&hub.url, "<hub>")
}

#[test]
fn a_device_that_knows_the_firms_authority_speaks_tls_and_remembers_it() {
    let env = maple_court();
    Authority::new(&env, "firm.pem").vouch(&env, "127.0.0.1", 2099);
    let mut hub = hub(&env);
    assert!(hub.url.starts_with("https://"), "{}", hub.url);
    expect![[r#"
        ! Error: the hub at <hub> is not trusted, and nothing was sent: nobody that this device knows vouches for its certificate.
        ! Hint: if the firm has an authority of its own, name its certificate with --ca FILE; else this is not the office's hub.
        [exit 1]
    "#]]
    .assert_eq(&enrol(&env, &hub, ""));
    expect![[r#"
        Joined Office at <hub> as dispatcher.
        `headwalk exchange` brings what this device lacks.
    "#]]
    .assert_eq(&enrol(&env, &hub, "--ca firm.pem"));
    std::fs::remove_file(env.path("firm.pem")).unwrap();
    assert!(env.ok("exchange").ends_with("Both hold the same now.\n"));

    // The firm changes its authority: what the device believes is changed in one word.
    Authority::new(&env, "new-firm.pem").vouch(&env, "127.0.0.1", 2099);
    hub.kill_and_restart(&env);
    assert!(
        env.run("exchange")
            .stderr
            .contains("nobody that this device knows")
    );
    env.ok("exchange --ca new-firm.pem");
    env.ok("exchange");
    let log = hub.log();
    assert!(log.contains("\"event\":\"connection-refused\""), "{log}");
}

#[test]
fn a_certificate_that_is_old_or_anothers_is_said_to_be_so_and_nothing_is_sent() {
    let env = maple_court();
    let authority = Authority::new(&env, "firm.pem");
    authority.vouch(&env, "127.0.0.1", 2020);
    let old = hub(&env);
    expect![[r#"
        ! Error: the hub at <hub> is not trusted, and nothing was sent: its certificate has expired.
        ! Hint: see that this device's date is right; else whoever runs the hub gives it a new certificate.
        [exit 1]
    "#]]
    .assert_eq(&enrol(&env, &old, "--ca firm.pem"));
    drop(old);
    std::fs::remove_dir_all(env.path("hub")).unwrap();
    authority.vouch(&env, "office.example", 2099);
    let others = hub(&env);
    expect![[r#"
        ! Error: the hub at <hub> is not trusted, and nothing was sent: its certificate is for another name.
        ! Hint: use the address that the dispatcher gave, letter by letter; its name must be in the certificate.
        [exit 1]
    "#]]
    .assert_eq(&enrol(&env, &others, "--ca firm.pem"));
    assert!(!others.log().contains("/enrol"), "{}", others.log());
}

#[test]
fn the_wrong_one_of_http_and_https_is_told_apart_from_a_hub_that_is_away() {
    let env = maple_court();
    Authority::new(&env, "firm.pem").vouch(&env, "127.0.0.1", 2099);
    let mut secure = hub(&env);
    secure.url = secure.url.replace("https://", "http://");
    expect![[r#"
        ! Error: the hub at <hub> does not answer: what comes back is not HTTP; with a certificate its address begins with https://.
        ! Hint: nothing is lost: what is not there yet goes with the next exchange.
        [exit 1]
    "#]]
    .assert_eq(&enrol(&env, &secure, ""));
    drop(secure);
    std::fs::remove_dir_all(env.path("hub")).unwrap();
    let mut clear = TestHub::start(&env);
    clear.url = clear.url.replace("http://", "https://");
    expect![[r#"
        ! Error: the hub at <hub> is not trusted, and nothing was sent: what answers there does not speak TLS.
        ! Hint: if the hub has no certificate, its address begins with http://.
        [exit 1]
    "#]]
    .assert_eq(&enrol(&env, &clear, ""));
    expect![[r#"
        ! Error: <folder>/hub.key is no authority's file: it holds no certificate in PEM.
        ! Hint: name the certificate, in PEM, of whoever vouches for the hub's.
        [exit 2]
    "#]]
    .assert_eq(&enrol(
        &env,
        &clear,
        &format!("--ca {}", env.path("hub.key").display()),
    ));
}
