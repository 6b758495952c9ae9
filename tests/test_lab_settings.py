import json

from grr.lab_settings import bench_settings, write_settings


def switched_off():
    return bench_settings()["@jupyterlab/shortcuts-extension:shortcuts"]["shortcuts"]


def test_no_key_of_a_gauge_is_a_command_of_the_notebook():
    off = {(shortcut["command"], *shortcut["keys"]) for shortcut in switched_off()}
    assert ("kernelmenu:restart", "0", "0") in off
    assert ("kernelmenu:interrupt", "I", "I") in off
    assert ("notebook:delete-cell", "D", "D") in off
    assert ("notebook:enter-edit-mode", "Enter") in off
    assert {("notebook:change-cell-to-heading-1", "1"), ("notebook:cut-cell", "X")} <= off


def test_what_needs_ctrl_or_moves_about_stays():
    keys = {key for shortcut in switched_off() for key in shortcut["keys"]}
    assert not any("Accel" in key or "Ctrl" in key or "Arrow" in key for key in keys)
    assert "Shift Enter" not in keys
    assert "Escape" not in keys
    assert all(shortcut["disabled"] for shortcut in switched_off())


def test_nothing_asks_for_the_network(tmp_path):
    write_settings(tmp_path)
    text = (tmp_path / "labconfig" / "default_setting_overrides.json").read_text(encoding="utf-8")
    assert json.loads(text)["@jupyterlab/apputils-extension:notification"] == {
        "fetchNews": "false",
        "checkForUpdates": False,
    }
