use std::{
    fs::{self, File, Permissions},
    io,
    os::unix::fs::{MetadataExt, PermissionsExt, symlink},
    path::{Path, PathBuf},
};

use culvert_units::{ExitStatus, Explain};

use super::*;
use crate::testing::wait_until;

fn private_directory() -> tempfile::TempDir {
    let directory = tempfile::tempdir().unwrap();
    fs::set_permissions(directory.path(), Permissions::from_mode(0o700)).unwrap();
    directory
}

fn mode(path: &Path) -> u32 {
    fs::symlink_metadata(path).unwrap().mode() & 0o777
}

fn names(directory: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(directory).unwrap();
    let mut names: Vec<_> =
        entries.map(|entry| PathBuf::from(entry.unwrap().file_name())).collect();
    names.sort();
    names
}

#[test]
fn a_created_file_is_private_whole_and_never_overwritten() {
    let directory = private_directory();
    let path = directory.path().join("listener.key");
    create(&path, b"first").unwrap();
    assert_eq!(mode(&path), 0o600);
    assert_eq!(read(&path, 5).unwrap(), b"first");
    let error = create(&path, b"second").unwrap_err();
    assert_eq!(error.kind(), Some(io::ErrorKind::AlreadyExists));
    assert_eq!(read(&path, 5).unwrap(), b"first");
    // No draft stays behind, neither after success nor after failure.
    assert_eq!(names(directory.path()), [PathBuf::from("listener.key")]);
}

#[test]
fn replacing_leaves_an_open_reader_its_old_content() {
    let directory = private_directory();
    let path = directory.path().join("usage");
    replace(&path, b"old").unwrap();
    let reader = open(&path).unwrap();
    replace(&path, b"new content").unwrap();
    assert_eq!(io::read_to_string(reader).unwrap(), "old");
    assert_eq!(read(&path, 100).unwrap(), b"new content");
    assert_eq!(mode(&path), 0o600);
    assert_eq!(names(directory.path()), [PathBuf::from("usage")]);
}

#[test]
fn a_link_at_the_destination_is_replaced_not_followed() {
    let directory = private_directory();
    let (target, path) = (directory.path().join("target"), directory.path().join("usage"));
    create(&target, b"untouched").unwrap();
    symlink(&target, &path).unwrap();
    assert!(matches!(open(&path), Err(FileError::System { .. })));
    assert!(create(&path, b"x").is_err());
    replace(&path, b"x").unwrap();
    assert_eq!(read(&target, 100).unwrap(), b"untouched");
    assert_eq!(read(&path, 100).unwrap(), b"x");
}

#[test]
fn wider_modes_are_refused_with_path_and_mode() {
    let directory = private_directory();
    let path = directory.path().join("listener.key");
    create(&path, b"key").unwrap();
    for wide in [0o640, 0o604, 0o620, 0o601, 0o700] {
        fs::set_permissions(&path, Permissions::from_mode(wide)).unwrap();
        let error = read(&path, 100).unwrap_err();
        let FileError::TooOpen { mode, allowed: 0o600, .. } = error else { panic!("{error}") };
        assert_eq!(mode, wide);
        assert_eq!(error.exit_status(), ExitStatus::LocalFault);
        assert!(error.to_string().contains(&format!("{} has mode {wide:04o}", path.display())));
        assert!(error.hint().unwrap().contains("chmod 600"));
    }
    fs::set_permissions(&path, Permissions::from_mode(0o400)).unwrap();
    assert!(read(&path, 100).is_ok());

    check_directory(directory.path()).unwrap();
    for wide in [0o750, 0o701, 0o770] {
        fs::set_permissions(directory.path(), Permissions::from_mode(wide)).unwrap();
        let error = check_directory(directory.path()).unwrap_err();
        assert!(matches!(error, FileError::TooOpen { mode, allowed: 0o700, .. } if mode == wide));
    }
}

#[test]
fn directories_are_made_private_and_other_things_are_refused() {
    let directory = private_directory();
    let nested = directory.path().join("state/invites");
    create_directory(&nested).unwrap();
    create_directory(&nested).unwrap();
    assert_eq!((mode(&nested), mode(nested.parent().unwrap())), (0o700, 0o700));
    let file = directory.path().join("file");
    create(&file, b"").unwrap();
    assert!(matches!(check_directory(&file), Err(FileError::WrongKind { .. })));
    assert!(matches!(open(&nested), Err(FileError::WrongKind { .. })));
    let link = directory.path().join("link");
    symlink(&nested, &link).unwrap();
    assert!(matches!(check_directory(&link), Err(FileError::WrongKind { .. })));
    let missing = read(&directory.path().join("missing"), 1).unwrap_err();
    assert_eq!(missing.kind(), Some(io::ErrorKind::NotFound));
}

#[test]
fn a_pipe_in_place_of_a_file_does_not_hang() {
    let directory = private_directory();
    let path = directory.path().join("pipe");
    nix::unistd::mkfifo(&path, nix::sys::stat::Mode::from_bits_truncate(0o600)).unwrap();
    assert!(matches!(read(&path, 1), Err(FileError::WrongKind { .. })));
}

#[test]
fn more_than_the_most_is_refused() {
    let directory = private_directory();
    let path = directory.path().join("usage");
    create(&path, &[7; 10]).unwrap();
    assert_eq!(read(&path, 10).unwrap().len(), 10);
    assert!(matches!(read(&path, 9), Err(FileError::TooLong { most: 9, .. })));
}

#[test]
fn removing_says_whether_there_was_anything() {
    let directory = private_directory();
    let path = directory.path().join("invite");
    create(&path, b"x").unwrap();
    assert!(remove(&path).unwrap());
    assert!(!remove(&path).unwrap());
}

#[test]
fn a_second_holder_is_told_that_the_file_is_locked() {
    let directory = private_directory();
    let path = directory.path().join("ledger");
    let first = Appender::open(&path).unwrap();
    assert!(lock_exclusive(first.file(), &path).unwrap());
    let second = File::open(&path).unwrap();
    assert!(!lock_exclusive(&second, &path).unwrap());
    drop(first);
    wait_until(|| lock_exclusive(&second, &path).unwrap());
}

#[test]
fn lines_are_appended_after_whatever_others_wrote() {
    let directory = private_directory();
    let path = directory.path().join("ledger");
    let (mut one, mut other) = (Appender::open(&path).unwrap(), Appender::open(&path).unwrap());
    one.append(b"first").unwrap();
    other.append(b"second").unwrap();
    one.append(b"third").unwrap();
    assert_eq!(fs::read(&path).unwrap(), b"first\nsecond\nthird\n");
    assert!(matches!(one.append(b"two\nlines"), Err(FileError::BrokenLine { .. })));
    assert_eq!(fs::read(&path).unwrap(), b"first\nsecond\nthird\n");
}

#[test]
fn a_torn_last_line_does_not_take_the_next_with_it() {
    let directory = private_directory();
    let path = directory.path().join("ledger");
    fs::write(&path, b"whole\n{\"tor").unwrap();
    Appender::open(&path).unwrap().append(b"next").unwrap();
    assert_eq!(fs::read(&path).unwrap(), b"whole\n{\"tor\nnext\n");
}

#[test]
fn a_full_disk_is_an_error() {
    // /dev/full accepts no byte (full(4)); it is no regular file, so the write is tried without the appender.
    let error = fs::write("/dev/full", b"x").unwrap_err();
    let error = FileError::of("write", Path::new("/dev/full"))(error);
    assert!(error.hint().unwrap().contains("room"));
    assert!(matches!(Appender::open(Path::new("/dev/full")), Err(FileError::WrongKind { .. })));
}

#[test]
fn files_made_by_root_belong_to_the_owner_of_the_directory() {
    if !nix::unistd::geteuid().is_root() {
        eprintln!("skipped: changing owners needs root");
        return;
    }
    let directory = private_directory();
    std::os::unix::fs::chown(directory.path(), Some(12_345), Some(54_321)).unwrap();
    let path = directory.path().join("listener.key");
    create(&path, b"key").unwrap();
    let metadata = fs::metadata(&path).unwrap();
    assert_eq!((metadata.uid(), metadata.gid()), (12_345, 54_321));
}
