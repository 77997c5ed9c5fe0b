//! The store's file is damaged, cut, emptied, of a later version: what is damaged is put aside and never deleted, it is
//! told, and the daemon goes on.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs::{self, File};
use std::os::unix::fs::FileExt;
use std::path::Path;

use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::field;
use ridgepost_tests::shop::Shop;

const BINARY: &str = env!("CARGO_BIN_EXE_ridgepost");

fn overwrite(path: &Path, at: u64, length: usize) {
    File::options().write(true).open(path).unwrap().write_all_at(&vec![0x5a; length], at).unwrap();
}

fn cut(path: &Path, length: u64) {
    File::options().write(true).open(path).unwrap().set_len(length).unwrap();
}

/// Each kind of damage that a start finds, done to a store that was stopped in order.
#[test]
fn a_damaged_store_is_put_aside_and_the_daemon_goes_on() {
    type Damage = (&'static str, fn(&Path));
    let damages: [Damage; 5] = [
        ("its header is garbage", |store| overwrite(store, 0, 100)),
        ("its first page is garbage", |store| overwrite(store, 0, 4096)),
        ("it is cut in the middle", |store| cut(store, fs::metadata(store).unwrap().len() / 2)),
        ("it is cut in its first page", |store| cut(store, 1000)),
        ("it is empty", |store| cut(store, 0)),
    ];
    for (what, damage) in damages {
        let mut shop = Shop::stopped(BINARY, 3);
        damage(&shop.store());
        let damaged = fs::read(shop.store()).unwrap();
        shop.goes_on();
        assert_eq!(shop.put_aside(), ["store.db.damaged-1"], "{what}");
        assert_eq!(fs::read(shop.beside(".damaged-1")).unwrap(), damaged, "{what}: kept as it was");
        shop.tells_of_damage("store.db.damaged-1");
        let status = shop.cell.ask(&["status"]);
        assert!(status.stdout.contains("put aside"), "{status:?}");
        // Again: the next number, and the first is still there.
        shop.cell.stop();
        shop.line.let_go();
        damage(&shop.store());
        shop.goes_on();
        assert_eq!(shop.put_aside(), ["store.db.damaged-1", "store.db.damaged-2"], "{what}");
        shop.cell.stop();
    }
}

/// A damaged store goes aside with its log: what was committed last stands there alone.
#[test]
fn a_damaged_store_takes_its_log_along() {
    for damage in [|store: &Path| overwrite(store, 0, 4096), |store: &Path| cut(store, 0)] {
        let mut shop = Shop::killed(BINARY, 4);
        let log = fs::read(shop.beside("-wal")).unwrap();
        assert!(!log.is_empty());
        damage(&shop.store());
        // A log that holds the first page would mend it: that is no damage.
        if fs::metadata(shop.store()).unwrap().len() > 0 {
            overwrite(&shop.beside("-wal"), 0, 32);
        }
        let log = fs::read(shop.beside("-wal")).unwrap();
        shop.goes_on();
        let name = shop.put_aside().into_iter().rfind(|name| name.ends_with("-wal")).unwrap();
        assert_eq!(fs::read(shop.cell.path("store").join(name)).unwrap(), log);
        shop.cell.stop();
    }
}

/// SQLite takes what is sound at the beginning of a log and writes over the rest. Here that is told, the log is kept,
/// and numbers that were given out in the lost part are not given out again.
#[test]
fn a_damaged_log_is_kept_and_told() {
    for (what, at) in [("header", 0), ("a frame in the middle", 32 + 3 * 4120 + 50)] {
        let mut shop = Shop::killed(BINARY, 6);
        let log = shop.beside("-wal");
        assert!(fs::metadata(&log).unwrap().len() > at + 10 * 4120);
        overwrite(&log, at, 16);
        let damaged = fs::read(&log).unwrap();
        shop.start();
        shop.cell.until_logged("store-damaged");
        assert_eq!(shop.put_aside(), ["store.db.damaged-1-wal"], "{what}");
        assert_eq!(fs::read(shop.beside(".damaged-1-wal")).unwrap(), damaged);
        shop.measure(2);
        shop.is_consistent();
        shop.cell.stop();
    }
}

/// A log that a kill cut off, or left with garbage behind what was committed, is everyday: nothing is told.
#[test]
fn a_log_that_was_cut_off_is_no_damage() {
    let mut shop = Shop::killed(BINARY, 4);
    let log = shop.beside("-wal");
    let length = fs::metadata(&log).unwrap().len();
    File::options().write(true).open(&log).unwrap().write_all_at(&[0x5a; 3000], length).unwrap();
    shop.goes_on();
    assert_eq!(shop.put_aside(), Vec::<String>::new());
    let numbers: Vec<u64> = shop.cell.store().readings("a").iter().map(|row| number_of(row).unwrap()).collect();
    assert_eq!(numbers, [1, 2, 3, 4, 5, 6]);
    assert!(!shop.cell.log().contains("store-damaged"));
    shop.cell.stop();
}

#[test]
fn a_store_of_a_later_version_is_refused_and_left_alone() {
    let mut shop = Shop::stopped(BINARY, 1);
    // Offset 60 of the header: `user_version`, big-endian (https://www.sqlite.org/fileformat2.html, 1.3).
    File::options().write(true).open(shop.store()).unwrap().write_all_at(&99_u32.to_be_bytes(), 60).unwrap();
    let bytes = fs::read(shop.store()).unwrap();
    shop.cell.start();
    assert_eq!(shop.cell.ended().code(), Some(3));
    assert!(shop.cell.log().contains("later version"), "{}", shop.cell.log());
    assert_eq!(shop.put_aside(), Vec::<String>::new());
    assert!(fs::read(shop.store()).unwrap() == bytes, "not a byte is changed");
}

/// Nothing but damage puts a store aside: here the folder may not be written to.
#[test]
fn a_store_that_may_not_be_opened_stays_where_it_is() {
    let mut shop = Shop::stopped(BINARY, 1);
    fs::rename(shop.store(), shop.cell.path("elsewhere.db")).unwrap();
    fs::create_dir(shop.store()).unwrap();
    shop.cell.start();
    let code = shop.cell.ended().code();
    assert!(code == Some(3) || code == Some(74), "{code:?}\n{}", shop.cell.log());
    assert_eq!(shop.put_aside(), Vec::<String>::new());
}

/// Damage that shows only while the store is in use, to the writer or to a sink: the daemon ends with its own status, the
/// next start reads the store through, puts it aside and goes on.
#[test]
fn damage_found_while_running_ends_the_daemon_and_the_next_start_puts_the_store_aside() {
    for (who, finds) in [("the writer", written_to as fn(&Shop) -> u64), ("a sink", sent_again)] {
        let mut shop = Shop::stopped(BINARY, 80);
        let page = finds(&shop);
        overwrite(&shop.store(), (page - 1) * 4096, 4096);
        let doctor = shop.cell.ask(&["doctor"]);
        assert!(matches!(doctor.code(), Some(1 | 3)) && doctor.stdout.contains("NOT WELL"), "{who}: {doctor:?}");
        shop.start();
        if who == "a sink" {
            shop.cell.ask(&["outbox", "again", "1..1"]);
        } else {
            shop.line.send_some(&instruments::counted(81));
        }
        assert_eq!(shop.cell.ended().code(), Some(65), "{who}: {}", shop.cell.log());
        assert!(shop.beside(".suspect").exists());
        shop.said = 81;
        shop.line.let_go();
        shop.goes_on();
        assert_eq!(shop.put_aside().first().map(String::as_str), Some("store.db.damaged-1"));
        assert!(!shop.beside(".suspect").exists());
        shop.tells_of_damage("store.db.damaged-1");
        shop.cell.stop();
    }
}

/// The page of the first rows of `result`, which nobody reads until they go out again: the first child of the table's
/// inner page (https://www.sqlite.org/fileformat2.html, 1.6: where its cells begin, and each cell's left child).
fn sent_again(shop: &Shop) -> u64 {
    let (root, store) = (root_of(shop, "entry"), File::open(shop.store()).unwrap());
    let mut page = [0; 4096];
    store.read_exact_at(&mut page, (root - 1) * 4096).unwrap();
    assert_eq!(page[0], 5, "an inner page of a table");
    let cell = usize::from(u16::from_be_bytes([page[12], page[13]]));
    u32::from_be_bytes(page[cell..cell + 4].try_into().unwrap()).into()
}

/// The page that the next stretch of the outbox is written to, and that nothing reads before.
fn written_to(shop: &Shop) -> u64 {
    root_of(shop, "stretch")
}

fn root_of(shop: &Shop, table: &str) -> u64 {
    let root = shop.cell.store().query("SELECT rootpage FROM sqlite_schema WHERE name = ?1", [table]);
    field(&root[0], "rootpage").parse().unwrap()
}

/// What looks sound to a start and was found damaged only by a read that went wrong is used on.
#[test]
fn a_store_that_is_sound_after_all_is_used_on() {
    let mut shop = Shop::stopped(BINARY, 2);
    fs::write(shop.beside(".suspect"), "database disk image is malformed\n").unwrap();
    shop.goes_on();
    assert_eq!(shop.put_aside(), Vec::<String>::new());
    assert_eq!(shop.cell.store().readings("a").len(), 4);
    assert!(shop.cell.log().contains("every page is sound"), "{}", shop.cell.log());
    shop.cell.stop();
}
