//! Who gets into the office's pages, and whose forms decide.

use headwalk_core::site::fields::{any, finding, site};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::NewThing;
use headwalk_core::site::unit::UnitSystem;

use super::*;

/// What a browser was answered.
pub(super) struct Shown {
    pub(super) status: u16,
    to: Option<String>,
    cookie: Option<String>,
    policy: Option<String>,
    pub(super) page: String,
}

/// A browser at a hub: its cookie, and what it says of where a request comes from.
pub(super) struct Browser<'a> {
    hub: &'a Running,
    cookie: Option<String>,
    from: Option<&'static str>,
}

impl<'a> Browser<'a> {
    pub(super) fn new(hub: &'a Running) -> Self {
        Self {
            hub,
            cookie: None,
            from: Some("same-origin"),
        }
    }

    pub(super) fn signed_in(hub: &'a Running, code: &str) -> Self {
        let mut browser = Self::new(hub);
        let shown = browser.send("/office/sign-in", &format!("code={code}"));
        assert_eq!((shown.status, shown.to.as_deref()), (303, Some("/office")));
        let cookie = shown.cookie.unwrap();
        assert!(cookie.contains("; Path=/office; HttpOnly; SameSite=Strict; Max-Age=43200"));
        browser.cookie = cookie.split(';').next().map(str::to_owned);
        browser
    }

    pub(super) fn cookie(&self) -> String {
        self.cookie.clone().unwrap()
    }

    fn ask(&self, method: &str, path: &str, body: &str) -> Shown {
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .max_redirects_will_error(false)
            .timeout_global(Some(Duration::from_secs(20)))
            .build()
            .into();
        let mut request = ureq::http::Request::builder()
            .method(method)
            .uri(format!("http://{}{path}", self.hub.address));
        if let Some(cookie) = &self.cookie {
            request = request.header("cookie", format!("other=1; {cookie}"));
        }
        if let Some(from) = self.from {
            request = request.header("sec-fetch-site", from);
        }
        let mut response = agent.run(request.body(body.to_owned()).unwrap()).unwrap();
        let header = |name: &str| {
            let value = response.headers().get(name)?;
            Some(value.to_str().unwrap().to_owned())
        };
        Shown {
            status: response.status().as_u16(),
            to: header("location"),
            cookie: header("set-cookie"),
            policy: header("content-security-policy"),
            page: response.body_mut().read_to_string().unwrap(),
        }
    }

    pub(super) fn open(&self, path: &str) -> Shown {
        self.ask("GET", path, "")
    }

    fn send(&self, path: &str, form: &str) -> Shown {
        self.ask("POST", path, form)
    }

    /// What a page of this session puts into its forms.
    fn token(&self) -> String {
        let page = self.open("/office").page;
        let after = page.split("name=\"form\" value=\"").nth(1).unwrap();
        after.split('"').next().unwrap().to_owned()
    }

    /// A hidden field of the first form that decides.
    fn field(&self, name: &str) -> String {
        let page = self.open("/office").page;
        let form = page.split("action=\"/office/decide\"").nth(1).unwrap();
        let after = form.split(&format!("name=\"{name}\" value=\"")).nth(1);
        after.unwrap().split('"').next().unwrap().to_owned()
    }

    fn decision(&self, form: &str, words: &str) -> String {
        let [key, basis] = ["key", "basis"].map(|name| self.field(name).replace('+', "%2B"));
        format!("form={form}&key={key}&basis={basis}&act=fixed&words={words}")
    }
}

/// A hub with one site, whose head 1-01 is missing: water runs.
fn leaking() -> (Running, Device) {
    let hub = Running::begin();
    let dispatcher = hub.dispatcher();
    let root = ThingId::root(LOGBOOK);
    let leak = NewThing::new(ThingId::from_bytes([8; 16]), ThingKind::Finding)
        .part_of(root)
        .set(
            &finding::WHAT,
            Value::text("head-missing"),
            HowKnown::Unstated,
        )
        .say("cause", "<b>mower</b> & \"truck\"", UnitSystem::Us)
        .unwrap();
    let mut changes = vec![
        Change::Set {
            thing: root,
            field: any::KIND.number,
            value: Value::text("site"),
            how: HowKnown::Unstated,
        },
        Change::Set {
            thing: root,
            field: site::NAME.number,
            value: Value::text("Maple Court"),
            how: HowKnown::Unstated,
        },
    ];
    changes.extend(leak.changes());
    let draft = Draft {
        logbook: LOGBOOK,
        by: "R. Ash".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes,
    };
    dispatcher.store.record(&[draft], hub.now()).unwrap();
    hub.exchange(&dispatcher);
    (hub, dispatcher)
}

#[test]
fn nobody_sees_the_office_without_a_session() {
    let (hub, _) = leaking();
    let mut browser = Browser::new(&hub);
    for _ in 0..2 {
        let shown = browser.open("/office");
        assert_eq!(shown.status, 303);
        assert_eq!(shown.to.as_deref(), Some("/office/sign-in"));
        for path in ["/office/list", "/office/news?after=0"] {
            let shown = browser.open(path);
            assert_eq!(shown.status, 401, "{path}");
            assert!(!shown.page.contains("Maple Court"), "{path}");
        }
        browser.cookie = Some(format!("headwalk-office={}", "7".repeat(64)));
    }
}

#[test]
fn a_page_says_what_a_browser_may_do_with_it_and_escapes_what_was_typed() {
    let (hub, dispatcher) = leaking();
    let code = hub.code(&dispatcher.token, "dispatcher");
    let shown = Browser::signed_in(&hub, &code).open("/office");
    assert_eq!(shown.status, 200);
    let policy = shown.policy.unwrap();
    for part in [
        "default-src 'none'",
        "script-src 'self'",
        "frame-ancestors 'none'",
    ] {
        assert!(policy.contains(part), "{policy}");
    }
    assert!(!policy.contains("unsafe"), "{policy}");
    assert!(
        shown
            .page
            .contains("&lt;b&gt;mower&lt;/b&gt; &amp; &quot;truck&quot;")
    );
    assert!(!shown.page.contains("<b>mower"));
    assert!(!shown.page.contains(" style="), "styles stand in the sheet");
}

#[test]
fn a_decision_is_an_entry_in_the_name_for_which_the_code_was_made() {
    let (hub, dispatcher) = leaking();
    let code = hub.code(&dispatcher.token, "dispatcher");
    let browser = Browser::signed_in(&hub, &code);
    let shown = browser.send(
        "/office/decide",
        &browser.decision(&browser.token(), "Dana"),
    );
    assert_eq!((shown.status, shown.to.as_deref()), (303, Some("/office")));
    hub.exchange(&dispatcher);
    let entries = dispatcher.store.entries(LOGBOOK).unwrap();
    let last = entries.iter().max_by_key(|kept| kept.arrival).unwrap();
    assert_eq!(
        (last.entry.by.as_str(), last.entry.utc_offset_min),
        ("R. Ash", -300)
    );
    assert_ne!(last.entry.device, dispatcher.store.device());
    let status = dispatcher.store.register(
        LOGBOOK,
        ThingId::from_bytes([8; 16]),
        finding::STATUS.number,
    );
    let status = status.unwrap().unwrap();
    assert_eq!(status.in_force().value, Value::text("fixed"));
}

#[test]
fn a_form_that_is_not_the_sessions_own_decides_nothing() {
    let (hub, dispatcher) = leaking();
    let code = hub.code(&dispatcher.token, "dispatcher");
    let mut browser = Browser::signed_in(&hub, &code);
    hub.exchange(&dispatcher);
    let before = dispatcher.store.vector(LOGBOOK).unwrap();
    let token = browser.token();
    let other = "0".repeat(64);
    for form in [other.as_str(), "", &token[1..]] {
        let shown = browser.send("/office/decide", &browser.decision(form, "Dana"));
        assert_eq!(shown.status, 403, "{form}");
    }
    // Another session's token is another's.
    let code = hub.code(&dispatcher.token, "dispatcher");
    let others = Browser::signed_in(&hub, &code).token();
    let shown = browser.send("/office/decide", &browser.decision(&others, "Dana"));
    assert_eq!(shown.status, 403);
    // The right token, sent by a page of another site.
    let decision = browser.decision(&token, "Dana");
    browser.from = Some("cross-site");
    assert_eq!(browser.send("/office/decide", &decision).status, 403);
    hub.exchange(&dispatcher);
    assert_eq!(dispatcher.store.vector(LOGBOOK).unwrap(), before);
}

#[test]
fn an_auditor_reads_and_a_crew_does_not_get_in() {
    let (hub, dispatcher) = leaking();
    let crew = hub.code(&dispatcher.token, "crew");
    let shown = Browser::new(&hub).send("/office/sign-in", &format!("code={crew}"));
    assert_eq!((shown.status, shown.cookie), (403, None));
    // The code is still good for the crew's device.
    assert_eq!(hub.enrol(&crew, store(4).device()).status, 200);

    let auditor = hub.code(&dispatcher.token, "auditor");
    let dispatchers = hub.code(&dispatcher.token, "dispatcher");
    let decision = {
        let browser = Browser::signed_in(&hub, &dispatchers);
        browser.decision("", "Dana")
    };
    let browser = Browser::signed_in(&hub, &auditor);
    assert!(browser.open("/office").page.contains("Maple Court"));
    let decision = decision.replacen("form=", &format!("form={}", browser.token()), 1);
    assert_eq!(browser.send("/office/decide", &decision).status, 403);
}

#[test]
fn a_session_ends_with_the_day_with_its_sign_out_and_at_no_restart() {
    let (hub, dispatcher) = leaking();
    let [one, other] = [(), ()].map(|()| hub.code(&dispatcher.token, "dispatcher"));
    let leaving = Browser::signed_in(&hub, &one);
    let staying = Browser::signed_in(&hub, &other).cookie;
    let out = leaving.send("/office/sign-out", &format!("form={}", leaving.token()));
    assert_eq!(out.status, 303);
    assert!(out.cookie.unwrap().contains("Max-Age=0"));
    assert_eq!(leaving.open("/office").status, 303);

    let (folder, clock) = hub.end();
    let stored = std::fs::read(folder.path().join("access.redb")).unwrap();
    let secret = staying.as_deref().unwrap().split_once('=').unwrap().1;
    let bytes = blake3::Hash::from_hex(secret).unwrap();
    for needle in [secret.as_bytes(), bytes.as_bytes().as_slice()] {
        let found = stored.windows(needle.len()).any(|window| window == needle);
        assert!(!found, "a session is kept as its digest only");
    }
    let hub = Running::in_folder(folder, clock, Limits::USUAL);
    let mut browser = Browser::new(&hub);
    browser.cookie = staying;
    assert_eq!(browser.open("/office").status, 200);
    hub.pass(Duration::from_secs(12 * 60 * 60 - 1));
    assert_eq!(browser.open("/office").status, 200);
    hub.pass(Duration::from_secs(1));
    assert_eq!(browser.open("/office").status, 303);
}

#[test]
fn guesses_at_the_door_are_counted() {
    let (hub, _) = leaking();
    let browser = Browser::new(&hub);
    let tries = (0..30).map(|_| browser.send("/office/sign-in", "code=ABCDE-FGHJK").status);
    let tries: Vec<_> = tries.collect();
    assert!(
        tries.iter().all(|status| [403, 429].contains(status)),
        "{tries:?}"
    );
    assert!(tries.contains(&429), "{tries:?}");
}

#[test]
fn who_waits_for_news_gets_it_when_it_comes_and_is_let_go_when_the_hub_ends() {
    let (hub, dispatcher) = leaking();
    let code = hub.code(&dispatcher.token, "dispatcher");
    let browser = Browser::signed_in(&hub, &code);
    let news = |after: u64| {
        let shown = browser.open(&format!("/office/news?after={after}"));
        let json: Json = serde_json::from_str(&shown.page).unwrap();
        json["revision"].as_u64().unwrap()
    };
    let now = news(0);
    assert!(now > 0);
    let waited = thread::scope(|scope| {
        let waiting = scope.spawn(|| news(now));
        write(&dispatcher, 100, "Maple Court east", hub.now());
        hub.exchange(&dispatcher);
        waiting.join().unwrap()
    });
    assert!(waited > now);
}

#[test]
fn the_pages_that_say_why_stand_alone_say_what_is_missing_and_are_for_who_signed_in() {
    let (hub, dispatcher) = leaking();
    let root = ThingId::root(LOGBOOK);
    let [spot, zone] = [9, 10].map(|id| ThingId::from_bytes([id; 16]));
    let mut changes = NewThing::new(spot, ThingKind::Spot)
        .part_of(root)
        .say("near", "the <gate>", UnitSystem::Us)
        .unwrap()
        .changes();
    changes.extend(NewThing::new(zone, ThingKind::Zone).part_of(root).changes());
    let draft = Draft {
        logbook: LOGBOOK,
        by: "R. Ash".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes,
    };
    dispatcher.store.record(&[draft], hub.now()).unwrap();
    hub.exchange(&dispatcher);
    let cause = |thing: ThingId| format!("/office/cause?logbook={LOGBOOK}&thing={thing}");
    let stranger = Browser::new(&hub);
    for path in [cause(spot), "/office/wear".to_owned()] {
        let shown = stranger.open(&path);
        assert_eq!(
            (shown.status, shown.to.as_deref()),
            (303, Some("/office/sign-in"))
        );
    }
    let auditor = hub.code(&dispatcher.token, "auditor");
    let browser = Browser::signed_in(&hub, &auditor);
    let shown = browser.open(&cause(spot));
    assert_eq!(shown.status, 200);
    let policy = shown.policy.unwrap();
    assert!(
        policy.contains("default-src 'none'") && !policy.contains("script-src"),
        "{policy}"
    );
    assert!(
        shown.page.contains("Wet ground: the &lt;gate&gt;"),
        "{}",
        shown.page
    );
    assert!(shown.page.contains("What comes next"), "{}", shown.page);
    let lacks = browser.open(&cause(zone));
    assert_eq!(lacks.status, 200);
    assert!(lacks.page.contains("Not known yet"), "{}", lacks.page);
    assert_eq!(
        browser.open(&cause(ThingId::from_bytes([99; 16]))).status,
        404
    );
    let wear = browser.open("/office/wear");
    assert!(
        wear.page.contains("Nothing with a known year is at work."),
        "{}",
        wear.page
    );
    // What came since shows, though the lives of every other site are kept from one look to the next.
    let valve = NewThing::new(ThingId::from_bytes([11; 16]), ThingKind::Valve)
        .part_of(root)
        .say("installed", "2009", UnitSystem::Us)
        .unwrap();
    let draft = Draft {
        logbook: LOGBOOK,
        by: "R. Ash".to_owned(),
        utc_offset_min: -300,
        visit: None,
        changes: valve.changes(),
    };
    dispatcher.store.record(&[draft], hub.now()).unwrap();
    hub.exchange(&dispatcher);
    for _ in 0..2 {
        let wear = browser.open("/office/wear");
        let nothing = wear.page.matches("Nothing with a known year is at work.");
        assert_eq!(nothing.count(), 1, "of heads alone: {}", wear.page);
    }
}
