"""The folder channel: a notice is one whole file, however often it is sent."""

from pathlib import Path

import pytest

from alertd.delivery.channels.file import FileChannel
from alertd.errors import DeliveryError


async def test_the_same_notice_twice_is_one_file(tmp_path: Path, make_out) -> None:
    channel = FileChannel("spool", tmp_path / "made" / "here")
    for _ in range(2):
        await channel.send(make_out(text="Col de l’Iseran ❄\nchain\n"), 0)
    [file] = (tmp_path / "made" / "here").iterdir()
    assert file.name == f"{make_out().notice_id}.txt"
    assert file.read_bytes() == "Col de l’Iseran ❄\nchain\n".encode()


@pytest.mark.parametrize("notice_id", ["../up", "a/b", "", "a.b", "a\x00b", "x" * 121])
async def test_an_id_that_is_no_file_name_is_refused(tmp_path: Path, make_out, notice_id: str) -> None:
    with pytest.raises(DeliveryError, match="is no file name") as caught:
        await FileChannel("spool", tmp_path).send(make_out(notice_id=notice_id), 0)
    assert caught.value.permanent
    assert list(tmp_path.iterdir()) == []


async def test_a_folder_that_cannot_be_written_is_retried(tmp_path: Path, make_out) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(DeliveryError, match="cannot be written") as caught:
        await FileChannel("spool", tmp_path / "file").send(make_out(), 0)
    assert not caught.value.permanent
