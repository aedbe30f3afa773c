"""Run-length curves: the finding in the title, the task marked, charts told apart twice."""

from qa_tools.charts import design


def test_curves_show_each_chart_and_the_task() -> None:
    made = design(1, sd=1, within=11, every=370)
    figure = made.figure()
    title = figure.layout.title.text.replace("<br>", " ")
    assert title == repr(made)
    curves = [trace for trace in figure.data if trace.mode == "lines"]
    assert [curve.name for curve in curves] == [
        "each point against its limits",
        "the cumulative sum",
        "the weighted mean",
    ]
    assert len({curve.line.color for curve in curves}) == len({c.line.dash for c in curves}) == 3
    assert figure.layout.yaxis.type == "log"
    for curve in curves:
        assert curve.x[0] == 0
        assert list(curve.y) == sorted(curve.y, reverse=True)
        assert "shift 1 sd: a signal in" in curve.hovertext[12]
    marks = [trace for trace in figure.data if trace.mode == "markers+text"]
    assert [mark.text[0] for mark in marks] == [
        "no more than one false alarm in 370 points",
        "found in 11 points",
    ]
    assert made.figure().to_json() == figure.to_json()
