"""A published data set through the whole chain: a layout, load, build, mart, and the curve of returns.

Data: survival after heart transplant at Stanford, 69 people (Miller, Biometrika 1976), as the package statsmodels
ships it (`statsmodels.datasets.heart`). Each person stands for a van: a code is cleared on the day of the
transplant and back on the day of death; the censored are watched to their last day without it. Expected: the
product-limit estimate and Greenwood's error of `statsmodels.duration.survfunc.SurvfuncRight`.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from statsmodels.duration.survfunc import SurvfuncRight

from dashboard.charts.code_returns import fit_returns
from pipeline import ingest
from pipeline.build import build
from pipeline.settings import Home
from pipeline.warehouse import publish

CLEARED = dt.datetime(2019, 1, 10, 12)
LAYOUT = """
name = "transplants"
feeds = ["scans", "codes"]
[match]
headers = ["Visit", "Person", "Day", "Seen"]
[file]
delimiter = ";"
[time]
formats = ["%d.%m.%Y %H:%M"]
[constants]
reader = "Clinic"
modules = "Motor"
module = "ECM"
[columns]
Visit = "scan_id"
Person = "van"
Day = "scanned_at"
Seen = "code"
"""


@pytest.fixture(scope="module")
def returns(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    """The published table `code_returns` of the data set."""
    top = tmp_path_factory.mktemp("transplants")
    home = Home(top / "home").ensure()
    (home.layouts / "transplants.toml").write_text(LAYOUT, encoding="utf-8")
    visits, work = ["Visit;Person;Day;Seen"], ["van,at,what,code"]
    register = ["van,make,model,model_year"]
    for number, row in enumerate(sm.datasets.heart.load_pandas().data.itertuples()):
        days, died = int(row.survival), bool(row.censors)
        moments = [(-1.0, "P0401"), (days - 1 + 0.25, "") if died else (days + 0.25, "")]
        moments += [(days + 1 + 0.25, "P0401")] if died else []
        for visit, (day, code) in enumerate(moments):
            at = CLEARED + dt.timedelta(days=day)
            visits.append(f"{number}-{visit};{number:03};{at:%d.%m.%Y %H:%M};{code}")
        work.append(f"{number:03},{CLEARED.isoformat()},cleared,P0401")
        register.append(f"{number:03},Stanford,Person,2019")
    for name, lines in (("register.csv", register), ("work.csv", work), ("visits.txt", visits)):
        (home.inbox / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    report = ingest.load(home, [])
    assert not [q for f in report.files for q in f.questions]
    build(home)
    with publish.reading(home) as connection:
        found: pl.DataFrame = connection.sql("select * from code_returns order by van").pl()
    return found


def test_every_person_has_the_days_of_the_data_set(returns: pl.DataFrame) -> None:
    data = sm.datasets.heart.load_pandas().data
    assert returns["days"].to_list() == data["survival"].to_list()
    assert returns["has_returned"].to_list() == data["censors"].astype(bool).to_list()
    assert set(returns["module"]) == {"engine"}


def test_the_curve_is_the_reference_librarys(returns: pl.DataFrame) -> None:
    data = sm.datasets.heart.load_pandas().data
    expected = SurvfuncRight(data["survival"], data["censors"])
    found = fit_returns(returns)
    np.testing.assert_allclose(found.time, expected.surv_times)
    np.testing.assert_allclose(found.share, expected.surv_prob, rtol=1e-12)
    np.testing.assert_allclose(found.standard_error, expected.surv_prob_se, rtol=1e-9)
    assert found.median == expected.quantile(0.5)
    assert (found.n, found.n_events) == (69, 45)
