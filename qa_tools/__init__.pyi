from qa_tools import charts as charts
from qa_tools.books.label import LabelCheck as LabelCheck
from qa_tools.books.label import label_check as label_check
from qa_tools.books.lots import judge_lots as judge_lots
from qa_tools.books.official import Verdict as Verdict
from qa_tools.books.official import judge as judge
from qa_tools.books.own import OwnCheck as OwnCheck
from qa_tools.books.own import own_check as own_check
from qa_tools.books.plans import SamplingPlan as SamplingPlan
from qa_tools.books.rulebook import RuleBook as RuleBook
from qa_tools.books.rulebook import rulebook as rulebook
from qa_tools.books.rulebook import rulebooks as rulebooks
from qa_tools.evidence.page import weekly_page as weekly_page
from qa_tools.evidence.review import Review as Review
from qa_tools.evidence.review import review as review
from qa_tools.readings.quantities import Declaration as Declaration
from qa_tools.readings.weighings import ReadingError as ReadingError
from qa_tools.readings.weighings import Weighings as Weighings
from qa_tools.readings.weighings import read_weights as read_weights
from qa_tools.readings.works import Works as Works
from qa_tools.readings.works import read_works as read_works

__version__: str
