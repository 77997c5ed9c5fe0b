//! The sign of life for programs that can only look at a file: one JSON object, whole at any moment.
//!
//! A file that stands still for longer than two or three times `every_s` means that the daemon is dead, whatever the
//! file says; one that moves says whether a person is needed.

use serde_json::json;

use super::picture::Picture;

/// The file: cell, time, number of the last result, `ok` or `trouble` with its causes, seconds to the next one.
pub fn line(picture: &Picture, every_s: u32) -> String {
    let causes = picture.causes();
    let object = json!({
        "cell": picture.cell,
        "at": picture.at.at,
        "seq": picture.seq,
        "state": if causes.is_empty() { "ok" } else { "trouble" },
        "causes": causes,
        "every_s": every_s,
    });
    format!("{object}\n")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::super::picture::tests::picture;
    use super::*;

    #[test]
    fn it_says_ok_or_what_is_the_matter() {
        let well = line(&picture(), 30);
        assert_eq!(
            well,
            "{\"cell\":\"grind-2\",\"at\":\"2026-11-25T14:00:00.000+01:00\",\"seq\":42,\"state\":\"ok\",\"causes\":[],\"every_s\":30}\n"
        );
        let mut ill = picture();
        ill.stations[0].1.state = "deaf".into();
        ill.stations[0].1.trouble = Some("/dev/x is not there".into());
        ill.writes = false;
        let ill: serde_json::Value = serde_json::from_str(&line(&ill, 1)).unwrap();
        assert_eq!(ill["state"], "trouble");
        assert_eq!(
            ill["causes"],
            json!(["the store's writer does not answer", "station tester-a is deaf: /dev/x is not there"])
        );
    }
}
